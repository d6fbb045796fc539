// Speech by a voice that this device has itself, and the board's cues as tones. Without such a voice: tones only.
// hoodtrace.spoken is the list of what was asked to be spoken: [seconds, text, "voice" or "none"].
(() => {
  const SHORT = 100, LONG = 300;
  const LOW = 880, MIDDLE = 1320, HIGH = 1980;
  // The board's own patterns: tone (Hz, 0 is silence) and how long (ms), by turns.
  const CUES = {
    "seated": [MIDDLE, SHORT],
    "steady": [MIDDLE, SHORT, 0, 100, MIDDLE, SHORT],
    "done": [LOW, SHORT, 0, 60, MIDDLE, SHORT, 0, 60, HIGH, LONG],
    "again": [HIGH, SHORT, 0, 60, LOW, SHORT, 0, 60, HIGH, SHORT, 0, 60, LOW, SHORT, 0, 60, HIGH, SHORT],
    "turn-more": [MIDDLE, SHORT, 0, 60, HIGH, LONG, 0, 200, MIDDLE, SHORT, 0, 60, HIGH, LONG],
    "turn-less": [MIDDLE, LONG, 0, 60, LOW, SHORT, 0, 200, MIDDLE, LONG, 0, 60, LOW, SHORT],
    "trouble": [LOW, LONG, 0, 140, LOW, LONG, 0, 140, LOW, LONG],
  };
  const STANDS_MS = 500; // a sentence that stands so long is read out: not each that flickers by
  const SHOWN_MS = 30000; // so long it is said whether there is a voice, then its place is wanted
  const SAME_S = 8, SAME_TURN_S = 2.5, LONGEST = 40;
  let on = false, audio = null, voice = null, words = { language: "en" }, lastCue = null, waiting = 0, fading = 0, known = null;
  const told = new Map();
  const spoken = [];
  const played = [];

  function begin(given) {
    words = given;
    findVoice();
    if ("speechSynthesis" in window) speechSynthesis.addEventListener("voiceschanged", findVoice);
    label();
  }

  function findVoice() {
    const voices = "speechSynthesis" in window ? speechSynthesis.getVoices() : [];
    const fits = voices.filter((v) => v.localService === true && v.lang.toLowerCase().split(/[-_]/)[0] === words.language);
    voice = fits.find((v) => v.default) || fits[0] || null;
    hoodtrace.set("voice", voice ? (on ? words.voice : "") : words.no_voice);
    clearTimeout(fading);
    fading = setTimeout(() => hoodtrace.set("voice", ""), SHOWN_MS);
    document.documentElement.dataset.voice = voice ? "yes" : "no";
  }

  function toggle() {
    on = !on;
    if (on) {
      audio = audio || new (window.AudioContext || window.webkitAudioContext)();
      audio.resume();
      findVoice();
      say(words.test, false, true);
    } else if ("speechSynthesis" in window) speechSynthesis.cancel();
    label();
  }

  function label() {
    for (const place of document.querySelectorAll(".sound")) {
      place.textContent = on ? words.off : words.on;
      place.setAttribute("aria-pressed", String(on));
    }
    findVoice();
  }

  // A turn's word breaks off what is being said: late, it would be wrong.
  function say(text, turning, anyway = false) {
    const now = performance.now() / 1000;
    const same = turning ? SAME_TURN_S : SAME_S;
    if (!text || (!anyway && told.has(text) && now - told.get(text) < same)) return;
    told.set(text, now);
    spoken.push([now, text, voice ? "voice" : "none"]);
    if (spoken.length > LONGEST) spoken.shift();
    if (!on || !voice) return;
    if (turning) speechSynthesis.cancel();
    const said = new SpeechSynthesisUtterance(text);
    said.voice = voice;
    said.lang = voice.lang;
    speechSynthesis.speak(said);
  }

  function next(text, turning) {
    clearTimeout(waiting);
    if (turning) say(text, true);
    else waiting = setTimeout(() => say(text, false), STANDS_MS);
  }

  // A reading that was kept, once; not the one that was there before this page was.
  function last(reading) {
    const [id, text] = reading.length ? reading : ["", ""];
    if (known !== null && id !== known) say(text, false);
    known = id;
  }

  function cues(list) {
    const newest = list.length ? list[list.length - 1] : null;
    if (lastCue === null) {
      lastCue = newest ? newest[0] : 0; // what was played before this page was there
      return;
    }
    if (!newest) {
      lastCue = 0;
    } else if (newest[0] !== lastCue) {
      lastCue = newest[0];
      played.push(newest[1]);
      if (played.length > LONGEST) played.shift();
      if (on) play(newest[1]);
    }
  }

  function play(name) {
    const pattern = CUES[name];
    if (!pattern || !audio) return;
    let at = audio.currentTime + 0.02;
    for (let i = 0; i < pattern.length; i += 2) {
      const [hz, s] = [pattern[i], pattern[i + 1] / 1000];
      if (hz) {
        const tone = audio.createOscillator(), loud = audio.createGain();
        tone.type = "square";
        tone.frequency.value = hz;
        loud.gain.setValueAtTime(0, at);
        loud.gain.linearRampToValueAtTime(0.25, at + 0.005);
        loud.gain.setValueAtTime(0.25, at + s - 0.005);
        loud.gain.linearRampToValueAtTime(0, at + s);
        tone.connect(loud).connect(audio.destination);
        tone.start(at);
        tone.stop(at + s);
      }
      at += s;
    }
  }

  window.hoodtrace = Object.assign(window.hoodtrace || {}, {
    spoken, played, cue_patterns: CUES,
    sounds: { begin, toggle, next, last, cues },
  });
})();
