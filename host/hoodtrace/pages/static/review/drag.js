// Fingers, mouse, wheel and keys on the chart: pan, zoom, choose, draw a stretch; and the two edges of the window.
import { from, standing, to } from "./bands.js";
import { say } from "./words.js";

const CLICK_PX = 4, STEP_S = 0.1, COARSE_S = 1, KEYS_REST_MS = 700;
const place = (id) => document.getElementById(id);

// To what is worth keeping at this zoom: milliseconds only where they are seen.
export function rounded(x, plot) {
  const per_px = (plot.view.x1 - plot.view.x0) / plot.width();
  const digits = per_px > 0.02 ? 2 : 3;
  return Number(x.toFixed(digits));
}

export function takePointers(plot, app) {
  const chart = place("chart"), shown = place("drawn-stretch"), tip = place("tip");
  const down = new Map();
  let drag = null;
  const at = (event) => {
    const box = chart.getBoundingClientRect();
    return [event.clientX - box.left - chart.clientLeft, event.clientY - box.top - chart.clientTop];
  };

  chart.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    const [px, py] = at(event);
    chart.setPointerCapture(event.pointerId);
    down.set(event.pointerId, px);
    if (down.size === 2) return pinch();
    const stretch = app.tool ?? (event.shiftKey ? "zoom" : null);
    drag = { px, py, view: { ...plot.view }, moved: false, stretch, x: plot.x(px) };
  });

  function pinch() {
    const [a, b] = [...down.values()];
    drag = { fingers: [plot.x(a), plot.x(b)] };
    shown.hidden = true;
  }

  chart.addEventListener("pointermove", (event) => {
    const [px, py] = at(event);
    if (!down.has(event.pointerId)) return hover(event, px, py);
    down.set(event.pointerId, px);
    if (!drag) return;
    if (drag.fingers) {
      if (down.size < 2) return;
      const [a, b] = [...down.values()], [xa, xb] = drag.fingers;
      if (Math.abs(b - a) < 8) return;
      const per_px = Math.abs((xb - xa) / (b - a)), left = plot.px(plot.view.x0);
      const x0 = Math.min(xa, xb) - (Math.min(a, b) - left) * per_px;
      return plot.show(x0, x0 + plot.width() * per_px);
    }
    if (!drag.moved && Math.abs(px - drag.px) < CLICK_PX) return;
    drag.moved = true;
    if (drag.stretch) {
      const [left, right] = [Math.min(drag.px, px), Math.max(drag.px, px)];
      Object.assign(shown.style, { left: `${left}px`, width: `${right - left}px` });
      shown.hidden = false;
      if (drag.stretch !== "zoom") app.stretching(drag.stretch, ...sorted(rounded(drag.x, plot), rounded(plot.x(px), plot)));
    } else {
      const by_s = ((drag.px - px) / plot.width()) * (drag.view.x1 - drag.view.x0);
      plot.show(drag.view.x0 + by_s, drag.view.x1 + by_s);
    }
  });

  function up(event) {
    const known = down.delete(event.pointerId), ended = drag, [px, py] = at(event);
    drag = down.size ? { fingers: drag?.fingers ?? [0, 1] } : null;
    if (!known || !ended || ended.fingers) return;
    shown.hidden = true;
    if (event.type === "pointercancel") return app.stopTool();
    if (!ended.moved) return click(event, px, py);
    if (!ended.stretch) return;
    const [x0, x1] = sorted(rounded(ended.x, plot), rounded(plot.x(px), plot));
    if (ended.stretch === "zoom") plot.show(x0, x1);
    else app.stretched(ended.stretch, x0, x1);
  }
  chart.addEventListener("pointerup", up);
  chart.addEventListener("pointercancel", up);

  function click(event, px, py) {
    if (!app.state) return;
    const found = standing(plot, app, px, py);
    if (found.mark) return showTip(found.mark, px, py);
    tip.hidden = true;
    if (found.window) app.choose(found.window.id, found.cut);
  }

  function showTip(mark, px, py) {
    tip.textContent = app.markText(mark);
    tip.hidden = false;
    const most = chart.clientWidth - tip.offsetWidth - 4;
    Object.assign(tip.style, { left: `${Math.max(4, Math.min(px + 10, most))}px`, top: `${py + 14}px` });
  }

  function hover(event, px, py) {
    if (!app.state || event.pointerType !== "mouse") return;
    const { mark } = standing(plot, app, px, py);
    if (mark) showTip(mark, px, py);
    else tip.hidden = true;
    app.readOut(plot.x(px));
  }
  chart.addEventListener("pointerleave", () => { tip.hidden = true; });

  chart.addEventListener("dblclick", (event) => {
    if (!app.state) return;
    const { window } = standing(plot, app, ...at(event));
    if (window) app.fit(window);
  });

  chart.addEventListener("wheel", (event) => {
    event.preventDefault();
    if (!app.axis) return;
    const unit = event.deltaMode === 1 ? 30 : event.deltaMode === 2 ? 300 : 1;
    const sideways = event.shiftKey && !event.deltaX ? event.deltaY : event.deltaX;
    if (Math.abs(sideways) > Math.abs(event.shiftKey ? 0 : event.deltaY)) {
      plot.pan((sideways * unit * (plot.view.x1 - plot.view.x0)) / plot.width());
    } else {
      plot.zoom(Math.exp(Math.max(-240, Math.min(240, event.deltaY * unit)) * 0.0022), plot.x(at(event)[0]));
    }
  }, { passive: false });
}

export function takeKeys(plot, app) {
  const chart = place("chart");
  chart.addEventListener("keydown", (event) => {
    if (event.target !== chart || event.ctrlKey || event.metaKey || event.altKey || !app.axis) return;
    const width = plot.view.x1 - plot.view.x0, part = event.shiftKey ? 0.8 : 0.15;
    const done = {
      ArrowLeft: () => plot.pan(-part * width),
      ArrowRight: () => plot.pan(part * width),
      ArrowUp: () => plot.zoom(0.7),
      ArrowDown: () => plot.zoom(1 / 0.7),
      "+": () => plot.zoom(0.7),
      "=": () => plot.zoom(0.7),
      "-": () => plot.zoom(1 / 0.7),
      Home: () => plot.whole(),
      0: () => plot.whole(),
      PageUp: () => app.step(-1),
      PageDown: () => app.step(1),
    }[event.key];
    if (!done) return;
    event.preventDefault();
    done();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") app.stopTool();
    if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
    const typing = event.target.matches?.("textarea, input") && event.target.value !== event.target.defaultValue;
    const key = event.key.toLowerCase();
    if (typing || (key !== "z" && key !== "y")) return; // what is being typed has its own undo
    event.preventDefault();
    app.turnBack(key === "y" || event.shiftKey ? "redo" : "undo");
  });
}

// The edges of the chosen window: dragged, or moved by keys; tried all the while, kept at the end.
export function takeHandles(plot, app) {
  for (const edge of ["start", "stop"]) {
    const handle = place(edge);
    let drag = null, resting = null;
    handle.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || !app.chosenWindow()) return;
      event.stopPropagation();
      event.preventDefault();
      handle.focus({ preventScroll: true });
      handle.setPointerCapture(event.pointerId);
      const one = app.chosenWindow();
      drag = { px: event.clientX, x: edge === "start" ? from(one) : to(one), moved: false };
    });
    handle.addEventListener("pointermove", (event) => {
      if (!drag) return;
      event.stopPropagation();
      if (!drag.moved && Math.abs(event.clientX - drag.px) < 2) return;
      drag.moved = true;
      app.dragEdge(edge, drag.x + ((event.clientX - drag.px) * (plot.view.x1 - plot.view.x0)) / plot.width());
    });
    const end = (keep) => (event) => {
      if (!drag) return;
      event.stopPropagation();
      const moved = drag.moved;
      drag = null;
      if (moved) keep ? app.keepEdges() : app.dropEdges();
    };
    handle.addEventListener("pointerup", end(true));
    handle.addEventListener("pointercancel", end(false));
    const keep = () => {
      clearTimeout(resting);
      if (resting !== null) app.keepEdges();
      resting = null;
    };
    handle.addEventListener("keydown", (event) => {
      const way = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[event.key];
      if (way && !event.ctrlKey && !event.metaKey && !event.altKey) {
        event.preventDefault();
        const one = app.draftWindow();
        if (!one) return;
        const x = edge === "start" ? from(one) : to(one);
        app.dragEdge(edge, x + way * (event.shiftKey ? COARSE_S : STEP_S), 3);
        clearTimeout(resting);
        resting = setTimeout(keep, KEYS_REST_MS);
      } else if (event.key === "Enter") {
        keep();
      } else if (event.key === "Escape") {
        clearTimeout(resting);
        resting = null;
        drag = null;
        app.dropEdges();
      }
    });
    handle.addEventListener("blur", keep);
  }
}

export function putHandles(plot, app) {
  const one = app.draftWindow(), { x0, x1 } = plot.view;
  for (const edge of ["start", "stop"]) {
    const handle = place(edge);
    const x = one ? (edge === "start" ? from(one) : to(one)) : 0;
    handle.hidden = !one || !one.editable || x < x0 || x > x1;
    if (handle.hidden) continue;
    handle.style.left = `${plot.px(x)}px`;
    const at_s = edge === "start" ? one.start_s : one.end_s;
    handle.setAttribute("aria-valuenow", at_s);
    handle.setAttribute("aria-valuetext", say("review.handle_at", { time: app.axis.time(x, 2), at_s: at_s.toFixed(2) }));
  }
}

const sorted = (a, b) => (a < b ? [a, b] : [b, a]);
