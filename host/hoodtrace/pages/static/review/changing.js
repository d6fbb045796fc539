// What a person tries and changes: edges that are dragged, stretches that are drawn, undo and redo. Each change goes with
// the version of the state that it was made in; one that is refused says why, and the state is fetched anew.
import { Gone, newest, post } from "./net.js";
import { rounded } from "./drag.js";
import { shortText } from "./told.js";
import { showCompared, drawPanel } from "./panel.js";
import { say } from "./words.js";

const place = (id) => document.getElementById(id);

// `previews` gets when each was asked for and when it stood on the screen (performance.now).
export function changing(app, plot, previews) {
  const trying = newest(
    ({ change }) => post("/review/preview", { change, version: app.state.version }),
    (done, { asked_ms }) => {
      app.compared = { ...done, isTried: true };
      showCompared(app);
      app.say(done.before.length && done.after.length ? say("review.tried", { before: shortText(done.before[0]), after: shortText(done.after[0]) }) : "", true);
      requestAnimationFrame(() => setTimeout(() => previews.push([asked_ms, performance.now()])));
    },
    (error) => {
      app.compared = null;
      showCompared(app);
      app.failed(error);
    },
  );

  return {
    // ---- trying and changing

    dragEdge(edge, x, digits = null) {
      const one = app.chosenWindow();
      if (!one) return;
      const at_s = digits === null ? rounded(x - one.x_shift_s, plot) : Number((x - one.x_shift_s).toFixed(digits));
      const before = app.draft ?? { id: one.id, start_s: one.start_s, end_s: one.end_s };
      app.draft = edge === "start" ? { ...before, start_s: Math.min(at_s, before.end_s) } : { ...before, end_s: Math.max(at_s, before.start_s) };
      app.moved();
      plot.redraw();
      app.tryOut({ do: "edges", ...app.draft });
    },
    keepEdges() {
      const draft = app.draft;
      if (draft) app.change({ do: "edges", ...draft }).finally(() => { if (app.draft === draft) app.dropEdges(); });
    },
    dropEdges() {
      trying.cancel();
      app.draft = null;
      if (app.compared?.isTried) {
        app.compared = null;
        app.say("");
      }
      app.drawChosen();
    },
    tryOut: (change) => trying.ask({ change, asked_ms: performance.now() }),
    async change(change) {
      trying.cancel();
      app.busy++;
      try {
        const done = await post("/review/change", { change, version: app.state.version });
        app.compared = { ...done, isTried: false };
        app.say("");
        if (change.do === "edges") app.draft = null;
        await app.fetchState();
        const still = done.after.find((one) => one.id === app.chosen) ?? done.after[0];
        if (still && still.id !== app.chosen) app.chosen = still.id;
        app.drawChosen();
        app.tell(done);
        return done;
      } catch (error) {
        app.draft = app.compared = null;
        app.say("");
        app.drawChosen(); // where it stood before: nothing of it was kept
        app.failed(error);
        if (!(error instanceof Gone)) await app.fetchState().catch(app.failed);
        return null;
      } finally {
        app.busy--;
      }
    },
    async turnBack(way) {
      if (!app.state?.[way]) return;
      app.busy++;
      try {
        const done = await post(`/review/${way}`, { version: app.state.version });
        app.draft = null;
        app.compared = { ...done, isTried: false };
        await app.fetchState();
        const touched = done.after[0]?.id;
        if (touched && !done.after.some((one) => one.id === app.chosen)) app.chosen = touched;
        app.drawChosen();
        app.tell(done, way === "undo" ? "review.undone" : "review.kept");
      } catch (error) {
        app.failed(error);
        if (!(error instanceof Gone)) await app.fetchState().catch(app.failed);
      } finally {
        app.busy--;
      }
    },
    tell(done, key = "review.kept") {
      app.say(say(key, { ids: [...new Set([...done.before, ...done.after].map((one) => one.id))].join(", ") }));
    },

    // ---- drawing a stretch

    useTool(tool) {
      app.tool = app.tool === tool ? null : tool;
      app.drawTool();
      if (app.tool) app.say(say(tool === "cut" ? "review.cut_drag" : "review.new_drag"));
    },
    stopTool() {
      if (!app.tool) return;
      app.tool = null;
      place("drawn-stretch").hidden = true;
      app.say("");
      app.drawTool();
    },
    drawTool() {
      document.body.dataset.tool = app.tool ?? "";
      place("tool-new").setAttribute("aria-pressed", app.tool === "new");
      if (app.state) drawPanel(app);
    },
    stretching(tool, x0, x1) {
      const one = app.chosenWindow();
      if (tool === "cut" && one) app.tryOut({ do: "cut", id: one.id, start_s: x0 - one.x_shift_s, end_s: x1 - one.x_shift_s });
    },
    stretched(tool, x0, x1) {
      app.stopTool();
      const one = app.chosenWindow(), at = (x, shift) => Number((x - shift).toFixed(3));
      if (tool === "cut" && one) return app.change({ do: "cut", id: one.id, start_s: at(x0, one.x_shift_s), end_s: at(x1, one.x_shift_s) });
      const piece = app.axis.piece((x0 + x1) / 2);
      if (!piece) return app.say(say("review.no_piece"));
      return app.change({ do: "new", trace: piece.trace, start_s: at(x0, piece.shift_s), end_s: at(x1, piece.shift_s) });
    },
  };
}
