// The page's words and numbers in the reader's language; times of day from the trace's clock.
const texts = JSON.parse(document.getElementById("words").textContent);
const MINUS = "\u2212", SPACE = "\u00a0";
const WHOLE_FROM_M3H = 99.95; // as the rest of the program rounds flows

export function say(key, values = {}) {
  const text = texts[key];
  if (text === undefined) throw new Error(`no text ${key}`);
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}

// The text of a key where there is one, else what stands beside it.
export const sayOr = (key, other) => texts[key] ?? other;

// A name of the program in the reader's words; one with no word stands as it is.
export const word = (group, name) => texts[`${group}.${String(name).replaceAll(" ", "_")}`] ?? String(name);

// Why something was left out or refused; a person's own reason stands as it is.
export const reason = (why) => (why ? (texts[`review.why_${why.replaceAll(" ", "_")}`] ?? why) : "");

export function number(value, digits) {
  return value.toFixed(digits).replace("-", MINUS).replace(".", texts["language.decimal"]);
}

export function bareFlow(flow) {
  const size = Math.abs(flow);
  return number(flow, size >= WHOLE_FROM_M3H ? 0 : size > 0 && size < 0.05 ? 2 : 1);
}

export const flow = (value) => `${bareFlow(value)}${SPACE}${texts["language.flow_unit"]}`;
export const unit = () => texts["language.flow_unit"];
export const seconds = (value, digits = 1) => `${number(value, digits)}${SPACE}s`;

// How long something was, in the two largest units.
export function lasting(total) {
  if (total < 60) return seconds(total, total < 10 ? 1 : 0);
  const minutes = Math.floor(total / 60);
  if (minutes < 60) return `${minutes}${SPACE}min${total % 60 >= 1 ? ` ${Math.floor(total % 60)}${SPACE}s` : ""}`;
  return `${Math.floor(minutes / 60)}${SPACE}h ${minutes % 60}${SPACE}min`;
}

// Time of day of an epoch time, with so many decimals of a second; fewer than 0: without seconds.
export function clock(utc_s, decimals) {
  const ms = decimals > 0 ? Math.round(utc_s * 1000) : decimals < 0 ? Math.round(utc_s) * 1000 : Math.round(utc_s) * 1000;
  const at = new Date(ms);
  const two = (n) => String(n).padStart(2, "0");
  let text = `${two(at.getHours())}:${two(at.getMinutes())}`;
  if (decimals >= 0) text += `:${two(at.getSeconds())}`;
  if (decimals > 0) text += texts["language.decimal"] + String(at.getMilliseconds()).padStart(3, "0").slice(0, decimals);
  return text;
}

export function fill(root = document) {
  for (const one of root.querySelectorAll("[data-word]")) one.textContent = say(one.dataset.word);
  for (const one of root.querySelectorAll("[data-word-label]")) {
    one.setAttribute("aria-label", say(one.dataset.wordLabel));
    if (one.tagName === "BUTTON") one.title = say(one.dataset.wordLabel);
  }
}

// An element with properties and children; text is always text.
export function make(tag, properties = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name in made && name !== "list") made[name] = value;
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return made;
}
