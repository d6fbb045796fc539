// The list of windows, and of what happened: rows are made once and only touched where something changed.
import { flowText, intervalText, spanText, stateText, verdictText } from "./told.js";
import { flow, make, say } from "./words.js";
import { from, inOrder } from "./bands.js";

const rows = new Map();

export function drawList(app) {
  const list = document.getElementById("windows"), { windows } = app.state;
  const order = inOrder(windows);
  const kept = new Set(order.map((one) => one.id));
  for (const [id, row] of rows) {
    if (kept.has(id)) continue;
    row.element.remove();
    rows.delete(id);
  }
  let after = null;
  for (const one of order) {
    const key = JSON.stringify([one, app.axis.time(from(one), 0), app.state.terminals]);
    let row = rows.get(one.id);
    if (!row) rows.set(one.id, row = { element: make("li"), key: "" });
    if (row.key !== key) {
      const held = row.element.contains(document.activeElement);
      row.key = key;
      row.element.replaceChildren(button(one, app));
      if (held) row.element.firstChild.focus();
    }
    const place = after ? after.nextSibling : list.firstChild;
    if (place !== row.element) list.insertBefore(row.element, place);
    after = row.element;
  }
  chooseRow(app);
  if (!windows.length) list.replaceChildren(make("li", { className: "none" }, say(app.state.loading.done ? "review.no_windows" : "review.windows_follow")));
  else list.querySelector(".none")?.remove();
}

export function chooseRow(app) {
  for (const [id, { element }] of rows) {
    const isChosen = id === app.chosen;
    element.classList.toggle("chosen", isChosen);
    element.firstChild?.setAttribute("aria-pressed", isChosen);
  }
}

export function showRow(id) {
  const row = rows.get(id)?.element, list = document.getElementById("windows");
  if (!row || list.scrollHeight <= list.clientHeight) return;
  // Only the list moves: the chart stays where the person looks.
  const top = row.offsetTop - list.scrollTop;
  if (top < 0 || top > list.clientHeight / 2) list.scrollTop = row.offsetTop - 60;
}

function button(one, app) {
  const told = one.state === "reading" ? verdictText(one) : stateText(one);
  return make("button", { type: "button", className: "row", onclick: () => app.choose(one.id, null, true), title: `${one.id}: ${spanText(one)}` },
    make("span", { className: "row-name" }, one.terminal ?? say("review.no_terminal_short")),
    make("span", { className: "row-time" }, app.axis.time(from(one), 0)),
    make("span", { className: "row-flow" }, `${flowText(one)} ${intervalText(one)}`.trim()),
    make("span", { className: `row-state ${one.state.replace(" ", "-")}` }, told),
    one.by === "person" ? make("span", { className: "by-hand" }, automatic(one)) : null);
}

function automatic(one) {
  const flow_m3h = one.automatic?.flow_m3h ?? null;
  if (flow_m3h === null) return say("review.by_person");
  return say("review.by_person_beside", { flow: flow(flow_m3h), interval: intervalText(one.automatic) });
}

export function drawMarks(app) {
  const box = document.getElementById("marks-box"), list = document.getElementById("marks");
  if (!box.open || !app.state) return;
  list.replaceChildren(...app.state.marks.map((mark) =>
    make("li", {}, make("button", { type: "button", className: "mark", onclick: () => app.goTo(mark.x0, mark.x1) }, app.markText(mark)))));
}
