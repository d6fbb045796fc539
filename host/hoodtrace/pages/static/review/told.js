// A window in words and numbers: the same words in the list, the panel and the comparison.
import { bareFlow, flow, number, reason, say, seconds, unit, word } from "./words.js";

const STATES = { reading: "reading", refused: "refused", rejected: "rejected", "taken back": "taken_back" };

export const terminalName = (one, terminals) => {
  if (one.terminal === null) return say("review.no_terminal");
  const known = terminals.find((terminal) => terminal.id === one.terminal);
  return known?.room ? `${one.terminal}, ${known.room}` : one.terminal;
};

export const stateName = (one) => say(`review.state_${STATES[one.state] ?? "refused"}`);

// "refused: too short"; a reading that counts for nothing says so.
export function stateText(one) {
  const why = one.state === "reading" ? "" : reason(one.why);
  const text = why ? `${stateName(one)}: ${why}` : stateName(one);
  return one.state === "reading" && one.given === false ? `${text}, ${say("review.counts_not")}` : text;
}

export function flowText(one) {
  if (one.flow_m3h !== null && one.flow_m3h !== undefined) return flow(one.flow_m3h);
  return one.estimate_m3h === null || one.estimate_m3h === undefined ? "\u2013" : say("review.about", { flow: flow(one.estimate_m3h) });
}

export const intervalText = (one) =>
  (one.expanded_m3h === null || one.expanded_m3h === undefined ? "" : `\u00b1\u00a0${bareFlow(one.expanded_m3h)}`);
export const verdictText = (one) => (one.verdict ? say(`review.verdict_${one.verdict}`) : "");
export const spanText = (one) => `${number(one.start_s, 2)} \u2013 ${seconds(one.end_s, 2)}`;
export const flagText = (one) => one.flags.map((flag) => word("flag", flag)).join(", ");

export function cutsText(cuts) {
  return cuts.map((cut) => `${number(cut.start_s, 2)} \u2013 ${seconds(cut.end_s, 2)} ${reason(cut.why)}`.trim()).join("; ");
}

// Flow, interval and verdict on one line, without the unit; what gives no reading says so.
export const shortText = (one) => [one.flow_m3h === null ? "" : bareFlow(one.flow_m3h), intervalText(one), one.state === "reading" ? verdictText(one) : stateText(one)].filter(Boolean).join(" ");

// The rows of a comparison: what, before, after.
export function compared(before, after) {
  const one = (window_) => (window_ ? [
    flowText(window_), intervalText(window_) && `${intervalText(window_)}\u00a0${unit()}`, verdictText(window_), stateText(window_),
    spanText(window_), window_.terminal ?? "",
  ] : ["", "", "", "", "", ""]);
  const names = ["flow", "interval", "verdict", "state", "span", "terminal"].map((name) => say(`review.row_${name}`));
  const [was, is] = [one(before), one(after)];
  return names.map((name, i) => [name, was[i] || "\u2013", is[i] || "\u2013"])
    .filter(([, a, b], i) => i < 3 || a !== b);
}
