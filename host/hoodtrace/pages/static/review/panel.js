// The chosen window: what it gives, what a person may do with it, and what a change does to it, before and after.
import { cutsText, flagText, flowText, intervalText, spanText, stateText, terminalName, verdictText } from "./told.js";
import { drawDone, field, numberField } from "./forms.js";
import { make, number, reason, say, seconds, unit } from "./words.js";
import { from } from "./bands.js";

const panel = document.getElementById("panel");
let drawn = "";

export function drawPanel(app) {
  const one = app.chosenWindow();
  const next = one && app.after(one);
  const key = JSON.stringify([one, next?.id, app.state?.terminals, app.tool, app.state?.loading.done]);
  if (key === drawn) return;
  drawn = key;
  const held = panel.contains(document.activeElement) ? document.activeElement.name || document.activeElement.id : "";
  const typed = new Map([...panel.querySelectorAll("input, textarea")].filter((each) => each.value !== each.defaultValue)
    .map((each) => [each.name, each.value]));
  const same = panel.dataset.id === one?.id;
  panel.dataset.id = one?.id ?? "";
  if (!one) {
    panel.replaceChildren(make("h2", {}, say("review.panel")), make("p", { className: "soft" }, say("review.choose_one")), done(app));
    return;
  }
  panel.replaceChildren(...head(one, app), done(app), actions(one, next, app));
  if (!same) return;
  // What somebody is typing outlives news about the window.
  for (const [name, value] of typed) if (panel.querySelector(`[name="${name}"]`)) panel.querySelector(`[name="${name}"]`).value = value;
  if (held) (panel.querySelector(`[name="${CSS.escape(held)}"]`) ?? document.getElementById(held) ?? panel.querySelector("button"))?.focus();
}

function head(one, app) {
  const auto = one.automatic;
  return [
    make("h2", {}, terminalName(one, app.state.terminals)),
    make("p", { className: "soft" }, `${one.id} \u00b7 ${app.axis.time(from(one), 1)}`),
    make("p", { className: "number" }, make("span", { id: "flow" }, flowText(one)), " ", make("span", { id: "interval" }, intervalText(one))),
    make("p", { className: `state ${one.state.replace(" ", "-")}` }, make("span", { id: "state" }, stateText(one)),
      verdictText(one) ? make("span", { id: "verdict", className: `verdict ${one.verdict}` }, verdictText(one)) : null),
    make("p", { className: "soft" }, say("review.used", { span: spanText(one), used: seconds(one.used_s ?? 0, 1) })),
    one.by === "person" ? make("p", { className: "by-hand", id: "by" }, make("strong", {}, say("review.by_person")), " ", auto ? automatic(auto) : say("review.no_automatic")) : null,
    one.flags.length ? make("p", { className: "flags" }, flagText(one)) : null,
    ...one.notes.map((note) => make("p", { className: "note" }, note)),
  ].filter(Boolean);
}

function automatic(auto) {
  const parts = [auto.terminal ?? say("review.no_terminal"), `${flowText(auto)} ${intervalText(auto)}`.trim(), spanText(auto),
    auto.state === "reading" ? verdictText(auto) : stateText(auto), auto.cuts.length ? say("review.without", { cuts: cutsText(auto.cuts) }) : ""];
  return make("span", { id: "automatic" }, say("review.automatic_is", { told: parts.filter(Boolean).join(" \u00b7 ") }));
}

const done = (app) => make("div", { id: "compared" }, drawDone(app.compared));

export function showCompared(app) {
  document.getElementById("compared")?.replaceChildren(...[drawDone(app.compared)].filter(Boolean));
}

function actions(one, next, app) {
  const id = one.id, does = (change) => () => app.change({ ...change, id });
  const box = make("fieldset", { className: "actions needs" });
  box.disabled = app.isGone;
  if (!one.editable) {
    box.append(make("p", { className: "warn" }, say("review.not_editable")), note(app, id), why(one, app));
    return box;
  }
  box.append(
    field("edges", say("review.edges"), [numberField("start_s", say("review.start"), one.start_s), numberField("end_s", say("review.end"), one.end_s)],
      say("review.set"), (values) => app.change({ do: "edges", id, ...values })),
    cuts(one, app),
    field("split", say("review.split"), [numberField("at_s", say("review.split_at"), (one.start_s + one.end_s) / 2)], say("review.split_go"),
      (values) => app.change({ do: "split", id, ...values })),
    next ? make("div", { className: "group" }, make("button", { type: "button", name: "merge", onclick: does({ do: "merge", with: next.id }) },
      say("review.merge", { other: `${next.terminal ?? ""} ${next.id}`.trim() }))) : "",
    give(one, app),
    one.state === "rejected" || one.state === "taken back"
      ? make("div", { className: "group" }, make("button", { type: "button", name: "restore", onclick: does({ do: "restore" }) }, say("review.restore")))
      : field("reject", say("review.reject"), [make("input", { name: "why", required: true, maxLength: 200, "aria-label": say("review.reject_why"), placeholder: say("review.reject_why") })],
        say("review.reject_go"), ({ why: text }) => (text.trim() ? app.change({ do: "reject", id, why: text.trim() }) : app.say(say("review.reason_needed")))),
    one.by === "person" && one.automatic
      ? make("div", { className: "group" }, make("button", { type: "button", name: "automatic", onclick: does({ do: "automatic" }) }, say("review.automatic"))) : "",
    note(app, id),
    why(one, app),
  );
  return box;
}

const note = (app, id) => field("note", say("review.note"), [make("input", { name: "text", required: true, maxLength: 500, "aria-label": say("review.note_text"), placeholder: say("review.note_text") })],
  say("review.note_go"), ({ text }) => text.trim() && app.change({ do: "note", id, text: text.trim() }));

const why = (one, app) => make("div", { className: "group" }, make("button", { type: "button", name: "why-open", onclick: () => app.openWhy(one.id) }, say("review.why")));

function cuts(one, app) {
  const rows = one.cuts.map((cut) => make("li", {},
    make("span", {}, `${number(cut.start_s, 2)} \u2013 ${seconds(cut.end_s, 2)} ${reason(cut.why)}`.trim()),
    make("button", { type: "button", name: `uncut ${cut.start_s}`, "aria-label": say("review.uncut_label", { span: spanText(cut) }),
      onclick: () => app.change({ do: "uncut", id: one.id, start_s: cut.start_s, end_s: cut.end_s }) }, say("review.uncut"))));
  const pressed = app.tool === "cut";
  return make("div", { className: "group" },
    make("h3", {}, say("review.cuts")),
    rows.length ? make("ul", { className: "cuts" }, ...rows) : make("p", { className: "soft" }, say("review.no_cuts")),
    make("button", { type: "button", name: "tool-cut", "aria-pressed": String(pressed), onclick: () => app.useTool("cut") }, say(pressed ? "review.cut_drag" : "review.cut")),
    make("details", {}, make("summary", {}, say("review.cut_typed")),
      field("cut", "", [numberField("start_s", say("review.from"), one.start_s, "cut-"), numberField("end_s", say("review.to"), one.start_s + 1, "cut-"),
        make("input", { name: "cut-why", "data-key": "why", maxLength: 100, "aria-label": say("review.cut_why"), placeholder: say("review.cut_why") })],
        say("review.cut_go"), ({ why: text, ...values }) => app.change({ do: "cut", id: one.id, ...values, ...(text.trim() ? { why: text.trim() } : {}) }))));
}

function give(one, app) {
  const options = [make("option", { value: "" }, say("review.no_terminal")), ...app.state.terminals.map((each) =>
    make("option", { value: each.id }, `${each.id}, ${each.room}${each.design_m3h === null ? "" : ` (${each.design_m3h}\u00a0${unit()})`}`))];
  const select = make("select", { name: "terminal", "aria-label": say("review.give") }, ...options);
  select.value = one.terminal ?? "";
  return field("give", say("review.give"), [select], say("review.give_go"), ({ terminal }) => app.change({ do: "give", id: one.id, terminal: terminal || null }));
}
