// The one time axis of the visit: pieces of traces side by side, what lies between them, and the time of day along it.
import { clock, lasting, number, say } from "./words.js";

const STEPS_S = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800,
  3600, 7200, 14400];
const LABEL_PX = 82;

export class Axis {
  constructor(axis) {
    this.start = axis.start;
    this.stop = axis.stop;
    this.pieces = axis.pieces;
    this.breaks = axis.breaks;
  }

  piece(x) {
    return this.pieces.find((one) => one.x0 <= x && x <= one.x1) ?? null;
  }

  // The time of day at x, or seconds of its trace where no clock was noted; empty in a break.
  time(x, decimals = 1) {
    const piece = this.piece(x);
    if (!piece) return ""; // in a break, or nowhere
    if (piece.utc_s === null) return say("review.of_trace", { at_s: number(x - piece.shift_s, Math.max(0, decimals)), trace: piece.trace });
    return clock(piece.utc_s + (x - piece.x0), decimals);
  }

  step(width_s, width_px) {
    const least = (width_s / width_px) * LABEL_PX;
    return STEPS_S.find((one) => one >= least) ?? STEPS_S[STEPS_S.length - 1];
  }

  ticks(from, to, step) {
    const out = [];
    for (const piece of this.pieces) {
      const x0 = Math.max(from, piece.x0), x1 = Math.min(to, piece.x1);
      if (x1 <= x0) continue;
      // So that ticks stand at whole steps of the local time of day.
      const zero = piece.utc_s === null ? piece.shift_s
        : piece.x0 - (piece.utc_s - 60 * new Date(piece.utc_s * 1000).getTimezoneOffset()) % 86400;
      for (let k = Math.ceil((x0 - zero) / step); zero + k * step <= x1; k++) {
        const x = zero + k * step;
        if (!out.length || x - out[out.length - 1] >= 0.75 * step) out.push(x);
      }
    }
    return out;
  }

  label(x, step) {
    return this.time(x, step >= 60 ? -1 : step >= 1 ? 0 : step >= 0.1 ? 1 : step >= 0.01 ? 2 : 3);
  }

  breakText(one) {
    return one.seconds === null ? say("review.break_unknown") : say("review.break", { long: lasting(one.seconds) });
  }
}
