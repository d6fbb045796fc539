// Small forms of the panel: a title, fields, one button; and the table of what a change did.
import { compared } from "./told.js";
import { make, say } from "./words.js";

const rounded = (value) => Number(value.toFixed(3));

// A number in seconds with a comma or a point. No two fields of a panel have the same name: what is typed is kept by it.
export function numberField(name, label, value, prefix = "") {
  const input = make("input", { name: prefix + name, inputMode: "decimal", required: true, autocomplete: "off" });
  input.setAttribute("value", rounded(value));
  input.dataset.seconds = name;
  return make("label", {}, make("span", {}, label), input);
}

export function field(name, title, fields, go, then) {
  const form = make("form", { className: "group", noValidate: true }, title ? make("h3", {}, title) : null,
    make("div", { className: "fields" }, ...fields, make("button", { type: "submit", name: `go-${name}` }, go)));
  const refused = make("p", { className: "warn", role: "alert" });
  form.append(refused);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    refused.textContent = "";
    const values = {};
    for (const each of form.querySelectorAll("input, select")) {
      if (each.dataset.seconds) {
        const number = Number(each.value.trim().replace(",", ".").replace("\u2212", "-"));
        if (!each.value.trim() || !Number.isFinite(number)) {
          refused.textContent = say("review.number_needed");
          each.focus();
          return;
        }
        values[each.dataset.seconds] = number;
      } else {
        values[each.dataset.key ?? each.name] = each.value;
      }
    }
    then(values);
  });
  return form;
}

// What the change did, or would do: one table a window.
export function drawDone(done) {
  if (!done) return "";
  const pairs = Math.max(done.before.length, done.after.length);
  const tables = [];
  for (let i = 0; i < pairs; i++) {
    const [before, after] = [done.before[i], done.after[i]];
    tables.push(make("table", { className: "compared" },
      make("caption", {}, `${say(done.isTried ? "review.would_do" : "review.did")} ${(after ?? before).id}`),
      make("thead", {}, make("tr", {}, make("td", {}), make("th", { scope: "col" }, say("review.before")), make("th", { scope: "col" }, say("review.after")))),
      make("tbody", {}, ...compared(before, after).map(([name, was, is]) =>
        make("tr", { className: was === is ? "same" : "changed" }, make("th", { scope: "row" }, name), make("td", {}, was), make("td", {}, is))))));
  }
  return make("div", {}, ...tables);
}
