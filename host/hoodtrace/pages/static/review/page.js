// The start of the page and its memory: the visit's state, the chosen window, what is being tried, who is there.
import { Axis } from "./axis.js";
import { putHandles, takeHandles, takeKeys, takePointers } from "./drag.js";
import { asDragged, from, inOrder, to } from "./bands.js";
import { drawList, drawMarks, chooseRow, showRow } from "./list.js";
import { field, numberField } from "./forms.js";
import { drawPanel, showCompared } from "./panel.js";
import { changing } from "./changing.js";
import { get, Gone } from "./net.js";
import { Plot } from "./plot.js";
import { openWhy } from "./why.js";
import { terminalName } from "./told.js";
import { bareFlow, fill, make, number, say } from "./words.js";

const place = (id) => document.getElementById(id);
const POLL_MS = 1000, LOADING_MS = 20, NEWS_MS = 4000;
const previews = [];

const app = {
  state: null, axis: null, chosen: null, draft: null, tool: null, compared: null, isGone: false, seen: "", n: 0, busy: 0, n_asked: 0, n_taken: 0,

  chosenWindow: () => app.state?.windows.find((one) => one.id === app.chosen) ?? null,
  draftWindow() {
    const one = app.chosenWindow();
    return one && asDragged(app, one);
  },
  // The next window of the trace that still counts for something: the one that it can be merged with.
  after(one) {
    const order = inOrder(app.state.windows);
    return order.slice(order.findIndex((each) => each.id === one.id) + 1).find((each) => each.trace === one.trace && each.state !== "rejected") ?? null;
  },

  // ---- choosing and looking

  choose(id, cut = null, go = false) {
    const news = id !== app.chosen;
    app.chosen = id;
    if (news) {
      app.draft = app.compared = null;
      if (app.tool === "cut") app.stopTool();
    }
    const one = app.chosenWindow();
    if (go && one && (from(one) > plot.view.x1 || to(one) < plot.view.x0 || plot.px(to(one)) - plot.px(from(one)) < 60)) app.fit(one);
    app.drawChosen();
    showRow(id);
    if (go) place("chart").scrollIntoView({ block: "nearest" }); // on a phone the list is far below it
    if (cut) document.getElementsByName(`uncut ${cut.start_s}`)[0]?.focus();
  },
  fit(one) {
    if (isNaN(from(one))) return;
    const room = 0.35 * Math.max(to(one) - from(one), 1);
    plot.show(from(one) - room, to(one) + room);
  },
  goTo(x0, x1) {
    const width = Math.max(10, 3 * (x1 - x0));
    plot.show((x0 + x1 - width) / 2, (x0 + x1 + width) / 2);
  },
  step(way) {
    if (!app.state?.windows.length) return;
    const order = inOrder(app.state.windows), at = order.findIndex((one) => one.id === app.chosen);
    const middle = (plot.view.x0 + plot.view.x1) / 2;
    const next = at >= 0 ? at + way : way > 0 ? order.findIndex((one) => from(one) > middle) : order.findLastIndex((one) => to(one) < middle);
    const one = order[Math.min(Math.max(next, 0), order.length - 1)];
    app.choose(one.id);
    app.fit(one);
  },
  moved: () => putHandles(plot, app),
  readOut(x) {
    const { vane, taps } = plot.at(x);
    const shown = (flow) => (flow === null || flow === undefined ? "\u2013" : bareFlow(flow));
    place("readout").textContent = app.axis.piece(x) ? say("review.readout", { time: app.axis.time(x, 2), vane: shown(vane), taps: shown(taps) }) : "";
  },
  markText(mark) {
    const name = say(`review.mark_${mark.kind.replace(" ", "_")}`);
    const long = mark.x1 - mark.x0 > 0.05 ? ` (${number(mark.x1 - mark.x0, 1)}\u00a0s)` : "";
    return `${app.axis.time(mark.x0, 1)} ${name}${long}${mark.text ? `: ${mark.text}` : ""}`;
  },
  openWhy(id) {
    const one = app.chosenWindow();
    openWhy(id, one ? `${terminalName(one, app.state.terminals)} (${id})` : id, app.failed);
  },

  // ---- the state

  async fetchState() {
    const mine = ++app.n_asked;
    const state = await get("/review/state");
    if (mine < app.n_taken) return; // a newer one came first
    app.n_taken = mine;
    app.gone(false);
    const first = !app.axis || app.axis.stop === app.axis.start;
    const whole = first || (plot.view.x0 <= app.axis.start && plot.view.x1 >= app.axis.stop);
    const axisKey = JSON.stringify(state.axis);
    const axisMoved = axisKey !== app.axisKey;
    app.state = state;
    if (app.compared && !app.compared.isTried && app.compared.version !== state.version) app.compared = null; // somebody went on
    if (axisMoved) app.axis = new Axis(state.axis);
    app.axisKey = axisKey;
    app.draw();
    if (axisMoved || !state.loading.done || app.wasLoading) whole ? plot.whole() : plot.show(plot.view.x0, plot.view.x1);
    app.wasLoading = !state.loading.done;
  },
  async poll() {
    if (app.isPolling) return;
    app.isPolling = true;
    clearTimeout(app.timer);
    const isLoading = app.state && !app.state.loading.done;
    try {
      if (!app.busy) {
        // While traces are read the answer waits for more of them.
        const now = await get(`/review/version${isLoading ? `?after=${app.n}` : ""}`, NEWS_MS);
        app.n = now.n;
        if (app.isGone) app.seen = "";
        app.gone(false);
        const seen = JSON.stringify(now);
        if (seen !== app.seen) {
          await app.fetchState();
          app.seen = seen;
        }
      }
    } catch (error) {
      app.failed(error);
    }
    app.isPolling = false;
    app.timer = setTimeout(app.poll, app.state && !app.state.loading.done && !app.isGone ? LOADING_MS : POLL_MS);
  },
  draw() {
    const { state } = app;
    place("site").textContent = state.site;
    document.title = `${state.site} \u2013 ${say("review.title")}`;
    place("loading").textContent = state.loading.done ? "" : say("review.loading", { share: Math.round(100 * state.loading.share) });
    const problems = state.problems.map(({ where, text }) => make("li", {}, where && !text.includes(where) ? `${where}: ${text}` : text));
    place("problems").replaceChildren(...problems);
    place("problems").hidden = !problems.length;
    if (app.chosen && !app.chosenWindow()) app.chosen = null;
    if (app.draft && !app.chosenWindow()) app.draft = null;
    drawList(app);
    drawMarks(app);
    app.drawNew();
    app.drawChosen();
    app.drawButtons();
  },
  drawChosen() {
    chooseRow(app);
    drawPanel(app);
    showCompared(app);
    app.moved();
    plot.redraw();
  },
  drawButtons() {
    for (const box of document.querySelectorAll(".needs")) box.disabled = app.isGone || !app.state;
    for (const way of ["undo", "redo"]) {
      const there = app.state?.[way];
      place(way).disabled = !there;
      place(way).title = there ? say(`review.${way}_what`, { what: say(`review.do_${there.do}`), ids: there.ids.join(", ") }) : "";
    }
  },
  drawNew() {
    const box = place("new-form"), traces = [...new Set(app.axis.pieces.map((piece) => piece.trace))];
    if (box.dataset.traces === traces.join(" ")) return;
    box.dataset.traces = traces.join(" ");
    const select = make("select", { name: "trace", "aria-label": say("review.of_which") }, ...traces.map((trace) => make("option", { value: trace }, trace)));
    const form = field("new", "", [select, numberField("start_s", say("review.start"), 0, "new-"), numberField("end_s", say("review.end"), 10, "new-")],
      say("review.new_go"), (values) => app.change({ do: "new", ...values }));
    box.replaceChildren(make("fieldset", { className: "needs" }, form));
  },
  say(text, isTried = false) {
    place("said").textContent = text;
    place("said").classList.toggle("tried", isTried); // on one line: nothing moves under a hand that drags
  },
  failed(error) {
    if (error instanceof Gone) return app.gone(true, error.anew);
    if (!(error instanceof Error) || error.status === undefined) throw error;
    return app.say(error.message);
  },
  gone(isGone, anew = false) {
    if (isGone) place("gone").textContent = say(anew ? "review.anew" : "review.gone");
    place("gone").hidden = !isGone;
    if (isGone === app.isGone) return;
    app.isGone = isGone;
    app.drawButtons();
  },
};

fill();
const plot = new Plot(place("plot"), app, (error) => app.failed(error));
Object.assign(app, changing(app, plot, previews));
takePointers(plot, app);
takeHandles(plot, app);
takeKeys(plot, app);
place("zoom-in").onclick = () => plot.zoom(0.5);
place("zoom-out").onclick = () => plot.zoom(2);
place("whole").onclick = () => plot.whole();
place("previous").onclick = () => app.step(-1);
place("next").onclick = () => app.step(1);
place("undo").onclick = () => app.turnBack("undo");
place("redo").onclick = () => app.turnBack("redo");
place("tool-new").onclick = () => app.useTool("new");
place("marks-box").addEventListener("toggle", () => drawMarks(app));
["taps", "vane"].forEach((name, i) => {
  place(name).onclick = () => {
    const on = place(name).getAttribute("aria-pressed") !== "true";
    place(name).setAttribute("aria-pressed", on);
    plot.toggle(i + 1, on);
  };
});
addEventListener("focus", () => app.poll());
app.poll();

window.hoodtraceReview = {
  state: () => app.state,
  view: () => ({ ...plot.view }),
  chosen: () => app.chosen,
  compared: () => app.compared,
  show: (x0, x1) => plot.show(x0, x1),
  whole: () => plot.limits(),
  px: (x) => plot.px(x),
  zooms: plot.times,
  previews,
  drawn: plot.drawn,
};
