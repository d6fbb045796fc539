// Takes what the server sends (hoodtrace.take) and sets it: text as text, a bar, a strip, the trace. Decides nothing.
(() => {
  const state = { version: -1 };
  const shown = { trail: [], words: {} };
  const WINDOW_S = 180, LONG = 32, STALE_MS = 3000, ASK_MS = 2000;

  let heard = performance.now();
  // The server says something each second: a number that is old must not look like one that is new.
  setInterval(() => {
    const old = !state.over && performance.now() - heard > STALE_MS;
    document.documentElement.dataset.stale = old ? "yes" : "no";
    if (old && shown.words.anew && performance.now() - asked > ASK_MS) ask();
  }, 500);

  // Is the visit finished, or does another start of the program answer here? Then nothing comes any more.
  let asked = -Infinity;
  async function ask() {
    asked = performance.now();
    const answer = await fetch("/static/page.js", { method: "HEAD", cache: "no-store" }).catch(() => null);
    const why = answer && answer.headers.get("x-hoodtrace");
    if (why === "finished") {
      const [sentence, sentence_rest] = shown.words.finished;
      take({ mode: "finished", sentence, sentence_rest, over: true });
    } else if (why === "door") {
      document.querySelectorAll(".stale").forEach((place) => (place.textContent = shown.words.anew));
      over("anew");
    }
  }

  function over(how) {
    state.over = true;
    document.documentElement.dataset.over = how;
    document.querySelectorAll("dialog[open]").forEach((dialog) => dialog.close());
    if (window.socket) window.socket.disconnect();
  }

  // A screen that goes dark helps nobody on a ladder. Browsers grant this to pages of this machine only.
  function stayOn() {
    if (navigator.wakeLock && document.visibilityState === "visible") navigator.wakeLock.request("screen").catch(() => {});
  }
  document.addEventListener("visibilitychange", stayOn);

  function set(name, text) {
    for (const place of document.querySelectorAll(`[data-live="${name}"]`)) {
      if (place.textContent !== text) place.textContent = text;
    }
  }

  function take(news) {
    heard = performance.now();
    Object.assign(state, news);
    for (const [name, value] of Object.entries(news)) {
      if (typeof value === "string") set(name, value);
    }
    const root = document.documentElement;
    if ("mode" in news) mode(news.mode);
    if (news.over) over("finished");
    if ("state" in news) root.dataset.state = news.state;
    if ("flow_kind" in news) root.dataset.flow = news.flow_kind;
    if ("share" in news) bar(news.share);
    if ("strip" in news) strip(news.strip);
    if ("trail_all" in news) {
      shown.trail = news.trail_all; // the first message to this page
      drawn();
    }
    if ("trail" in news) append(news.trail);
    if ("trail" in news || "trail_all" in news) draw();
    if ("notice" in news) notice(news.notice);
    if ("cues" in news) hoodtrace.sounds.cues(news.cues);
    if ("say_last" in news) hoodtrace.sounds.last(news.say_last);
    if ("say" in news) hoodtrace.sounds.next(news.say, state.turn !== "");
    if ("sentence" in news) {
      document.title = news.sentence;
      root.dataset.sentence = news.sentence.length > LONG ? "long" : "short";
    }
  }

  function mode(name) {
    document.documentElement.dataset.mode = name;
    if (name === "stopped") document.querySelectorAll("dialog[open]").forEach((dialog) => dialog.close());
    window.scrollTo(0, 0);
  }

  function bar(share) {
    const outer = document.querySelector(".bar");
    if (!outer) return;
    const percent = share === null ? 0 : Math.round(100 * Math.min(1, Math.max(0, share)));
    outer.firstElementChild.style.width = `${percent}%`;
    outer.setAttribute("aria-valuenow", percent);
  }

  function strip(places) {
    document.documentElement.dataset.strip = places ? "yes" : "no";
    const outer = document.querySelector(".strip");
    if (!places || !outer) return;
    const [window_, now] = outer.children;
    window_.style.left = `${100 * places[0]}%`;
    window_.style.width = `${100 * (places[1] - places[0])}%`;
    now.style.display = places[2] < 0 ? "none" : "block";
    now.style.left = `${100 * places[2]}%`;
  }

  function append(points) {
    const last = shown.trail.length ? shown.trail[shown.trail.length - 1][0] : -1;
    if (points.length && points[0][0] < last) shown.trail = [];
    shown.trail.push(...points);
    const from = shown.trail.length ? shown.trail[shown.trail.length - 1][0] - WINDOW_S : 0;
    while (shown.trail.length && shown.trail[0][0] < from) shown.trail.shift();
  }

  function draw() {
    const canvas = document.querySelector(".trail-canvas");
    if (!canvas || !canvas.clientWidth) return;
    const scale = window.devicePixelRatio || 1;
    const width = canvas.clientWidth, height = canvas.clientHeight;
    if (canvas.width !== Math.round(width * scale)) canvas.width = Math.round(width * scale);
    if (canvas.height !== Math.round(height * scale)) canvas.height = Math.round(height * scale);
    const pen = canvas.getContext("2d");
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, width, height);
    const style = getComputedStyle(document.documentElement);
    const points = shown.trail;
    if (points.length < 2) return;
    const end = points[points.length - 1][0];
    const most = 1.15 * Math.max(5, ...points.map((p) => p[1]));
    const x = (t) => width - ((end - t) / WINDOW_S) * width;
    const y = (flow) => height - 10 - (flow / most) * (height - 16);
    pen.lineJoin = "round";
    pen.font = "14px system-ui, sans-serif";
    pen.fillStyle = pen.strokeStyle = style.getPropertyValue("--soft");
    pen.lineWidth = 1;
    for (const mark of marks(most)) {
      pen.globalAlpha = 0.35;
      pen.beginPath();
      pen.moveTo(0, y(mark));
      pen.lineTo(width, y(mark));
      pen.stroke();
      pen.globalAlpha = 1;
      if (y(mark) > 16) pen.fillText(String(mark), 2, y(mark) - 3);
    }
    for (let i = 1; i < points.length; i++) {
      const a = points[i - 1], b = points[i];
      if (b[0] - a[0] > 1.5) continue;
      pen.strokeStyle = style.getPropertyValue(b[2] ? "--accent" : "--soft");
      pen.lineWidth = b[2] ? 4 : 1.5;
      pen.beginPath();
      pen.moveTo(x(a[0]), y(a[1]));
      pen.lineTo(x(b[0]), y(b[1]));
      pen.stroke();
      if (b[2]) pen.fillRect(x(a[0]), height - 5, x(b[0]) - x(a[0]) + 0.5, 4);
    }
  }

  function marks(most) {
    const step = [5, 10, 20, 50, 100, 200, 500].find((s) => most / s <= 4) || 1000;
    return Array.from({ length: Math.floor(most / step) }, (_, i) => (i + 1) * step);
  }

  let clearing = 0;
  function notice(text) {
    clearTimeout(clearing);
    if (text) clearing = setTimeout(() => set("notice", ""), 15000);
  }

  function begin(words) {
    shown.words = words;
    stayOn();
    hoodtrace.sounds.begin(words);
  }

  function fields(event) {
    const form = event.target;
    const data = new FormData(form, event.submitter || undefined);
    return Object.fromEntries([...data.entries()].map(([name, value]) => [name, String(value)]));
  }

  // A form that was drawn anew takes the focus only if what had it is gone: nobody is torn out of a dialog. No button
  // gets it: a second press of Enter must not answer the next question.
  function drawn() {
    setTimeout(() => {
      if (document.activeElement && document.activeElement !== document.body) return;
      const first = document.querySelector(".doing input") || document.querySelector(".doing form");
      if (first) first.focus({ preventScroll: true });
    }, 30);
  }

  function open(id, tries = 20) {
    const dialog = document.getElementById(`c${id}`);
    if (dialog && dialog.isConnected) {
      if (!dialog.open) dialog.showModal();
    } else if (tries > 0) setTimeout(() => open(id, tries - 1), 20);
  }

  window.addEventListener("resize", draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);

  window.hoodtrace = Object.assign(window.hoodtrace || {}, {
    take, begin, fields, drawn, open,
    version: () => state.version,
    sound: () => hoodtrace.sounds.toggle(),
    set,
    state,
  });
})();
