// Why a reading is as it is: the budget as table and picture, correlation, channels, the hood's history; what is there.
import { get } from "./net.js";
import { clock, flow, make, number, say, sayOr, unit, word } from "./words.js";

const HEAD = ["refusal", "flow_m3h", "estimate_m3h", "u_flow_m3h", "expanded_m3h", "coverage_factor", "dof", "scopes", "not_in"];
const MOST_LISTED = 40;
const dialog = document.getElementById("why");
dialog.addEventListener("click", (event) => event.target === dialog && dialog.close());

export async function openWhy(id, title, failed) {
  let found;
  try {
    found = await get(`/review/why?id=${encodeURIComponent(id)}`);
  } catch (error) {
    return failed(error);
  }
  const close = make("button", { type: "button", onclick: () => dialog.close(), autofocus: true }, say("review.close"));
  const head = Object.fromEntries(HEAD.filter((name) => isSaid(found[name])).map((name) => [name, found[name]]));
  dialog.replaceChildren(
    make("header", {}, make("h2", { id: "why-title" }, say("review.why_title", { window: title })), close),
    ...[pairs(head, "review.why_reading"), terms(found.terms), picture(found.picture_svg, "review.why_picture"),
      pairs(withoutSeries(found.correlation), "review.why_correlation"), picture(found.correlation_svg, "review.why_correlation"),
      pairs(found.channels, "review.why_channels"), pairs(found.hood, "review.why_hood")].filter(Boolean),
  );
  if (!dialog.open) dialog.showModal();
  dialog.scrollTop = 0;
}

const isSaid = (value) => value !== null && value !== undefined && value !== "" && !(Array.isArray(value) && !value.length);

function terms(rows) {
  if (!rows?.length) return null;
  const heads = ["name", "scope", "u", "share", "dof"].map((name) => make("th", { scope: "col" }, say(`review.term_${name}`)));
  const dof = (row) => (typeof row.dof === "number" ? number(row.dof, 0) : row.kind === "covariance" ? "\u2013" : "\u221e");
  const body = rows.flatMap((row) => [make("tr", {},
    make("th", { scope: "row" }, row.name),
    make("td", {}, sayOr(`review.scope_${row.scope}`, row.scope)),
    make("td", {}, typeof row.u_m3h === "number" ? number(row.u_m3h, 3) : "\u2013"),
    make("td", {}, typeof row.share === "number" ? `${number(100 * row.share, 1)}\u00a0%` : "\u2013"),
    make("td", {}, dof(row))), row.what ? make("tr", { className: "what" }, make("td", { colSpan: 5 }, row.what)) : ""].filter(Boolean));
  return make("section", {}, make("h3", {}, say("review.why_terms")),
    make("div", { className: "wide", tabIndex: 0 }, make("table", { className: "terms" }, make("thead", {}, make("tr", {}, ...heads)), make("tbody", {}, ...body))));
}

// As an image: nothing in it can act on the page.
function picture(svg, label) {
  if (!svg) return null;
  return make("figure", {}, make("img", { alt: say(label), src: `data:image/svg+xml;charset=utf-8,${encodeURIComponent(svg)}` }), make("figcaption", {}, say(label)));
}

// The lists of a correlation are in its picture.
const withoutSeries = (found) => found && Object.fromEntries(Object.entries(found).filter(([, value]) => !Array.isArray(value)));

// Names and values as they come: numbers by the unit at the end of their name, lists as tables.
function pairs(found, title) {
  if (!found || !Object.keys(found).length) return null;
  return make("section", {}, make("h3", {}, say(title)), tree(found));
}

function tree(found) {
  if (Array.isArray(found)) {
    if (found.every((one) => one && typeof one === "object" && !Array.isArray(one))) return table(found);
    const shownOf = found.slice(0, MOST_LISTED).map((one) => make("li", {}, typeof one === "object" ? tree(one) : shown("", one)));
    return make("ul", {}, ...shownOf);
  }
  const parts = Object.entries(found).filter(([, value]) => isSaid(value));
  return make("dl", {}, ...parts.flatMap(([name, value]) => [make("dt", {}, named(name)), make("dd", {}, cell(name, value))]));
}

function table(rows) {
  const names = [...new Set(rows.flatMap((row) => Object.keys(row)))].filter((name) => rows.some((row) => isSaid(row[name])));
  const body = rows.slice(0, 10 * MOST_LISTED).map((row) => make("tr", {}, ...names.map((name) => make("td", {}, cell(name, row[name])))));
  return make("div", { className: "wide", tabIndex: 0 },
    make("table", {}, make("thead", {}, make("tr", {}, ...names.map((name) => make("th", { scope: "col" }, named(name))))), make("tbody", {}, ...body)));
}

const named = (name) => sayOr(`review.key_${name}`, name.replaceAll("_", " "));

function cell(name, value) {
  if (Array.isArray(value) && value.length === 2 && value.every((one) => typeof one === "number")) return value.map((one) => shown(name, one)).join(" \u2013 ");
  return value && typeof value === "object" ? tree(value) : shown(name, value);
}

function shown(name, value) {
  if (!isSaid(value)) return "\u2013";
  if (typeof value === "boolean") return say(value ? "review.yes" : "review.no");
  if (typeof value !== "number") return name === "direction" ? word("direction", value) : String(value);
  if (name === "utc_s") return clock(value, 0);
  if (name.endsWith("_m3h")) return Math.abs(value) < 1 ? `${number(value, 3)}\u00a0${unit()}` : flow(value);
  if (name.endsWith("_rel") || name === "share_vane") return `${number(100 * value, 1)}\u00a0%`;
  if (name.endsWith("_s")) return `${number(value, 2)}\u00a0s`;
  if (name === "dof" || name === "n_over_g") return number(value, 1);
  if (["reading", "terminal", "visit", "hood"].includes(name)) return `${number(value, 3)}\u00a0${unit()}`;
  return Number.isInteger(value) ? String(value) : number(value, 3);
}
