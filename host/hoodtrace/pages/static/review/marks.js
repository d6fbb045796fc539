// What else happened, in a lane above the trace: one shape a kind, a name where there is room, ticks where it is crowded.
import { say } from "./words.js";

export const MARK_PX = 31; // the middle of the lane
const APART_PX = 13;
const WARNING = ["fault", "gap", "lost", "restart", "no air"];

export function drawMarks(pen) {
  const { colours } = pen, marks = pen.app.state.marks.filter((mark) => mark.x1 >= pen.view.x0 && mark.x0 <= pen.view.x1);
  let last = -Infinity;
  marks.forEach((mark, i) => {
    const left = pen.px(mark.x0), right = pen.px(mark.x1);
    const colour = WARNING.includes(mark.kind) ? colours.warn : colours.soft;
    // Too close for symbols: ticks say that there is something.
    if (left - last < APART_PX) return pen.fill(mark.x0, mark.x1, colour, 0.6, MARK_PX + 5, MARK_PX + 9);
    last = Math.max(left, right);
    if (right - left > 3) pen.fill(mark.x0, mark.x1, colour, 0.9, MARK_PX - 1.5, MARK_PX + 1.5);
    symbol(pen.pen, mark.kind, Math.min(Math.max((left + right) / 2, pen.box.left + 6), pen.box.right - 6), MARK_PX, colour, colours.sheet);
    const name = say(`review.mark_${mark.kind.replace(" ", "_")}`), room = i + 1 < marks.length ? pen.px(marks[i + 1].x0) : pen.box.right;
    const at = Math.max((left + right) / 2, pen.box.left + 6) + 9;
    if (at + pen.pen.measureText(name).width + 10 > Math.min(room, pen.box.right)) return;
    pen.pen.textAlign = "left";
    pen.pen.fillStyle = colours.sheet;
    pen.pen.fillRect(at - 1, MARK_PX - 8, pen.pen.measureText(name).width + 3, 16);
    pen.pen.fillStyle = colours.ink;
    pen.pen.fillText(name, at, MARK_PX);
  });
}

// One shape a kind.
function symbol(pen, kind, x, y, colour, paper) {
  const corners = {
    press: [[-5, -5], [5, -5], [0, 5]],
    fault: [[0, -6], [6, 0], [0, 6], [-6, 0]],
    restart: [[-5, -5], [5, -5], [5, 5], [-5, 5]],
    "no air": [[-5, 5], [5, 5], [0, -5]],
    lost: [[-1, -6], [1, -6], [1, 6], [-1, 6]],
    gap: [[-6, -6], [-3, -6], [-3, 6], [-6, 6], [-6, -6], [3, -6], [6, -6], [6, 6], [3, 6], [3, -6]],
  }[kind];
  pen.strokeStyle = colour;
  pen.lineWidth = 1.75;
  pen.beginPath();
  if (corners) corners.forEach(([dx, dy], i) => (i ? pen.lineTo(x + dx, y + dy) : pen.moveTo(x + dx, y + dy)));
  else if (kind === "zero" || kind === "bridged") pen.ellipse(x, y, 3.5, 5.5, 0, 0, 2 * Math.PI);
  else pen.arc(x, y, 4, 0, 2 * Math.PI);
  pen.closePath();
  pen.fillStyle = ["press", "fault", "lost", "gap"].includes(kind) ? colour : paper;
  pen.fill();
  pen.stroke();
  if (kind === "bridged") {
    pen.beginPath();
    pen.moveTo(x - 6, y);
    pen.lineTo(x + 6, y);
    pen.stroke();
  }
}
