// Drawn on the chart's own canvas: holds and windows, cuts, marks in a lane of their own, breaks between traces.
// No state is told by colour alone: solid is a reading, dashed refused, crossed rejected, dotted taken back.
import { drawMarks, MARK_PX } from "./marks.js";
import { Pen } from "./pen.js";
import { reason, say } from "./words.js";

export const LANES_PX = 44;
const NAMED_PX = 6, BEYOND_PX = 10; // narrower windows have no name; a name reaches so far beyond its window
const NAMES_PX = 20; // lower edge of the names' lane
const DASHES = { refused: [7, 5], rejected: [], "taken back": [2, 4], reading: [] };

// A window whose trace is gone has no place: NaN, which is nowhere in view.
const placed = (window_, at_s) => (window_.x_shift_s === null ? NaN : at_s + window_.x_shift_s);
export const from = (window_) => placed(window_, window_.start_s);
export const to = (window_) => placed(window_, window_.end_s);
// In the order of time, those without a place last.
export const inOrder = (windows) => [...windows].sort((a, b) => (from(a) - from(b)) || isNaN(from(a)) - isNaN(from(b)));
export const isOverlapping = (x0, x1, view) => x1 >= view.x0 && x0 <= view.x1;

// As it would be after the drag that is under way.
export const asDragged = (app, one) => (app.draft && app.draft.id === one.id ? { ...one, ...app.draft } : one);

export function below(chart, app, colours) {
  const pen = new Pen(chart, app, colours);
  pen.within(() => {
    const holds = new Set();
    for (const one of app.state.windows) {
      const hold = `${one.trace}:${one.hold}`, x0 = placed(one, one.hold_start_s), x1 = placed(one, one.hold_end_s);
      if (holds.has(hold) || !isOverlapping(x0, x1, pen.view)) continue;
      holds.add(hold);
      pen.fill(x0, x1, colours.soft, 0.1);
    }
    for (const one of app.state.windows) drawWindow(pen, asDragged(app, one), one.id === app.chosen);
    for (const mark of app.state.marks) {
      if (mark.kind === "gap" && isOverlapping(mark.x0, mark.x1, pen.view)) pen.hatch(mark.x0, mark.x1, colours.soft, false);
    }
  });
}

function drawWindow(pen, one, isChosen) {
  const { colours } = pen, x0 = from(one), x1 = to(one);
  if (!isOverlapping(x0, x1, pen.view)) return;
  const colour = one.state === "reading" ? colours.accent : colours.warn;
  if (one.state === "reading") pen.fill(x0, x1, colours.accent, isChosen ? 0.17 : 0.11);
  else if (isChosen) pen.fill(x0, x1, colours.accent, 0.06);
  if (one.state === "rejected") {
    pen.hatch(x0, x1, colours.warn, true, pen.box.top, pen.box.bottom, 26);
    pen.hatch(x0, x1, colours.warn, false, pen.box.top, pen.box.bottom, 26);
  }
  for (const cut of one.cuts) {
    pen.fill(cut.start_s + one.x_shift_s, cut.end_s + one.x_shift_s, colours.sheet, 0.75);
    pen.hatch(cut.start_s + one.x_shift_s, cut.end_s + one.x_shift_s, colours.warn, true);
  }
  if (pen.px(x1) - pen.px(x0) >= 3) {
    for (const x of [x0, x1]) pen.edge(x, colour, isChosen ? 2.5 : 1.25, DASHES[one.state] ?? []);
  }
}

export function above(chart, app, colours) {
  const pen = new Pen(chart, app, colours);
  pen.within(() => {
    const all = inOrder(app.state.windows).map((one) => asDragged(app, one));
    for (const one of all) drawBar(pen, one, one.id === app.chosen);
    const order = all.filter((one) => pen.px(to(one)) - pen.px(from(one)) >= NAMED_PX);
    // At most halfway to the next one.
    order.forEach((one, i) => drawName(pen, one, [
      i > 0 ? (to(order[i - 1]) + from(one)) / 2 : from(one) - 1e9,
      i + 1 < order.length && !isNaN(from(order[i + 1])) ? (to(one) + from(order[i + 1])) / 2 : to(one) + 1e9,
    ]));
    for (const one of app.axis.breaks) drawBreak(pen, one);
    drawMarks(pen);
  });
}

// A bar under the name: full for a reading, thin for none; it also shows windows too narrow for a name.
function drawBar(pen, one, isChosen) {
  const { colours } = pen, x0 = from(one), x1 = to(one);
  if (!isOverlapping(x0, x1, pen.view)) return;
  const colour = one.state === "reading" ? colours.accent : colours.warn;
  pen.fill(x0, x1, colour, 1, one.state === "reading" ? NAMES_PX - 3 : NAMES_PX - 1.5, NAMES_PX);
  if (isChosen) pen.fill(x0, x1, colours.accent, 0.22, 1, NAMES_PX);
}

function drawName(pen, one, room) {
  const { colours } = pen, x0 = from(one), x1 = to(one);
  if (!isOverlapping(x0, x1, pen.view)) return;
  const name = one.terminal ?? say("review.no_terminal_short");
  const of = one.state === "reading" ? name : `(${name})`;
  const long = one.state === "reading" ? (one.by === "person" ? `${name}, ${say("review.by_person_short")}` : name)
    : `${name}: ${say(`review.state_${one.state.replace(" ", "_")}`)}`;
  const middle = (pen.px(Math.max(x0, pen.view.x0)) + pen.px(Math.min(x1, pen.view.x1))) / 2;
  const half = Math.min((pen.px(x1) - pen.px(x0)) / 2 + BEYOND_PX, middle - Math.max(pen.px(room[0]), pen.box.left), Math.min(pen.px(room[1]), pen.box.right) - middle);
  const longest = one.terminal === null ? long.replace(name, say("review.no_terminal")) : long;
  pen.label(middle, 2 * half, NAMES_PX / 2 - 1, colours.ink, longest, long, one.by === "person" ? `${of}*` : of, of);
  for (const cut of one.cuts) {
    const why = reason(cut.why) || say("review.cut_out");
    pen.text(cut.start_s + one.x_shift_s, cut.end_s + one.x_shift_s, pen.box.bottom - 12, colours.ink, why);
  }
}

function drawBreak(pen, one) {
  if (!isOverlapping(one.x0, one.x1, pen.view)) return;
  const { colours, box } = pen, ctx = pen.pen;
  pen.fill(one.x0, one.x1, colours.sheet, 1, 0);
  ctx.strokeStyle = colours.soft;
  ctx.lineWidth = 1.25;
  for (const x of [pen.px(one.x0), pen.px(one.x1)]) {
    ctx.beginPath();
    for (let y = 0, k = 0; y <= box.bottom; y += 7, k++) ctx.lineTo(x + (k % 2 ? 3 : -3), y);
    ctx.stroke();
  }
  const text = pen.app.axis.breakText(one), middle = (Math.max(pen.px(one.x0), box.left) + Math.min(pen.px(one.x1), box.right)) / 2;
  if (pen.px(one.x1) - pen.px(one.x0) < 16) return;
  ctx.save();
  ctx.translate(middle, (box.top + box.bottom) / 2);
  ctx.rotate(-Math.PI / 2);
  ctx.fillStyle = colours.ink;
  ctx.textAlign = "center";
  ctx.fillText(text, 0, 0);
  ctx.restore();
}

// What stands at a place of the chart: a mark in its lane, else the window and its cut.
export function standing(plot, app, px, py) {
  if (Math.abs(py - MARK_PX) <= 12) {
    let best = null, least = 12;
    for (const mark of app.state.marks) {
      const left = plot.px(mark.x0), right = plot.px(mark.x1);
      const away = px < left ? left - px : px > right ? px - right : 0;
      if (away < least) [best, least] = [mark, away];
    }
    if (best) return { mark: best };
  }
  const x = plot.x(px), reach = (4 * (plot.view.x1 - plot.view.x0)) / plot.width();
  let found = null;
  for (const one of app.state.windows) {
    const away = x < from(one) ? from(one) - x : x > to(one) ? x - to(one) : 0;
    if (away <= reach && (!found || away < found.away || (away === found.away && one.id === app.chosen))) found = { window: one, away };
  }
  if (!found) return {};
  const at_s = x - found.window.x_shift_s;
  const cut = found.window.cuts.find((one) => one.start_s <= at_s && at_s <= one.end_s) ?? null;
  return { window: found.window, cut };
}
