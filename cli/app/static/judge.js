// What people say about the findings: agree, overrule, correct a time, add, note, undo. The tool's result stays as it is.
// Works on the review page's own elements; `show`, `seek` and `video` are review.js's.
import { ask, element, say, told } from "./common.js";

const $ = (id) => document.getElementById(id);
let state = JSON.parse($("more").textContent);
const place = `/attempts/${state.attempt}/people`;
const verdictWords = new Map(state.verdicts), kindWords = state.kinds;
const dialog = $("judge"), form = $("judge-form");
const rows = [...document.querySelectorAll("button.finding")].map((button, k) => ({ button, index: state.order[k] }));
const language = state.language;
let about = null; // what the dialog is about: {finding} or {} for the whole attempt

const clockOf = (t) => `${Math.floor(t / 60)}:${(t % 60).toFixed(1).padStart(4, "0")}`;
const sign = (verdict) => ({ ok: "ok", fault: "fault", "too close to call": "close", "not seen": "unseen" })[verdict];

function icon(name) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 20 20");
  svg.setAttribute("class", "icon");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  use.setAttribute("href", `/static/signs.svg#${name}`);
  svg.append(use);
  return svg;
}

// ---- showing the state -----------------------------------------------------------------------------

for (const row of rows) {
  row.judged = element("div", { class: "judged" });
  row.button.after(row.judged);
  const finding = state.findings[row.index];
  if (language !== "en" && finding) {
    row.button.querySelector(".sentence").textContent = finding.sentence;
    row.button.querySelector(".kind").firstChild.textContent = `${finding.kind_told} `;
  }
}
const added = element("section", { class: "group added" }, element("h3", {}, say("added_findings")), element("ol"));
document.querySelector(".findings .scroll")?.append(added);

function showState() {
  document.querySelector(".verdict h1").textContent = state.headline;
  const top = document.querySelector("header.top");
  top.className = `top g-${sign(state.verdict)}`;
  document.querySelector(".verdict .icon").replaceWith(icon(sign(state.verdict)));
  document.querySelector(".counts").replaceChildren(...state.counts.map((c) => element("li", { class: `g-${c.sign}` },
    c.sign === "note" ? null : icon(c.sign), element("b", {}, String(c.n)), ` ${c.what}`)),
  ...(state.judged ? [element("li", { class: "reviewed" }, say("with_people"))] : []));
  const advice = document.querySelector(".review .advice");
  if (advice) {
    advice.querySelector(".as-measured")?.remove();
    if (state.judged) advice.append(element("p", { class: "as-measured" }, say("advice_as_measured")));
  }
  for (const row of rows) showJudged(row.judged, state.findings[row.index], row.button);
  const own = state.findings.filter((f) => f.added);
  added.hidden = !own.length;
  added.querySelector("ol").replaceChildren(...own.map((f) => element("li", {},
    element("button", { class: `finding own g-${sign(f.verdict)}`, type: "button", "data-seek": f.t_start_s, "data-end": f.t_end_s },
      icon(sign(f.verdict)), element("span", { class: "number" }), element("span", { class: "what" },
        element("span", { class: "kind" }, `${f.title} `, element("time", {}, clockOf(f.t_start_s))),
        element("span", { class: "sentence" }, f.sentence)), element("span", { class: "figures" }, element("b", {}, f.told))),
    element("div", { class: "judged" }, element("span", { class: "by" }, say("added_by", { by: f.by }))))));
  $("log").replaceChildren(...state.log.map(logged));
}

function showJudged(box, f, button) {
  const moved = Math.abs(f.t_start_s - f.key_s) > 1e-6;
  button.dataset.seek = f.t_start_s;
  button.dataset.end = f.t_end_s;
  const focused = box.contains(document.activeElement);
  button.classList.toggle("overruled", f.verdict !== f.tool_verdict);
  box.replaceChildren(
    ...(f.by ? [element("span", { class: `by g-${sign(f.verdict)}` }, icon(sign(f.verdict)),
      say(f.verdict === f.tool_verdict ? "confirmed_by" : "overruled_by", { by: f.by, verdict: f.told }))] : []),
    ...(moved ? [element("span", { class: "by" }, say("time_now", { time: clockOf(f.t_start_s) }))] : []),
    element("button", { type: "button", class: "judge-it", "aria-label": say("judge_this", { what: `${f.title} ${clockOf(f.t_start_s)}` }),
      on: { click: () => open({ finding: f }) } }, say("judge")));
  if (focused) box.querySelector("button").focus();
}

function logged(c) {
  const what = [c.what || say("whole"), say(`log_${c.action}`), c.verdict,
    c.action === "time" ? [c.t_start_s, c.t_end_s].filter((t) => t !== null).map(clockOf).join("–") : ""].filter(Boolean).join(" · ");
  return element("li", { class: c.undone ? "undone" : "" }, element("span", { class: "who" }, `${c.by}, ${new Date(c.at).toLocaleString(language)}`),
    element("span", {}, what), c.reason ? element("q", {}, c.reason) : null,
    c.undone ? element("em", {}, say("undone")) : c.action === "withdraw" ? null
      : element("button", { type: "button", class: "judge-it", "aria-label": `${say("undo")}: ${what}`, on: { click: () => undo(c) } }, say("undo")));
}

// ---- the dialog --------------------------------------------------------------------------------------

function open(what, only = "") {
  about = what;
  form.reset();
  $("judge-trouble").hidden = true;
  const f = what.finding;
  $("judge-title").textContent = f ? f.title : say(only === "add" ? "add_title" : only === "note" ? "note_title" : "whole");
  $("judge-what").textContent = f ? `${clockOf(f.t_start_s)} · ${f.sentence}` : "";
  $("judge-actions").hidden = Boolean(only);
  for (const choice of form.querySelectorAll("[name=action]")) choice.closest("label").hidden = choice.value === "time" && !f;
  form.elements.verdict.replaceChildren(...[...verdictWords].map(([v, word]) => element("option", { value: v }, word)));
  form.elements.verdict.value = (f ? f.tool_verdict : state.verdict) === "fault" ? "ok" : "fault";
  if (only === "add") form.elements.verdict.value = "fault";
  form.elements.kind.replaceChildren(...kindWords.map(([k, word]) => element("option", { value: k }, word)));
  form.elements.t_start_s.value = (f ? f.t_start_s : shown).toFixed(2);
  form.elements.t_end_s.value = (f ? f.t_end_s : shown).toFixed(2);
  form.elements.by.value = localStorage.getItem("reviewer") ?? "";
  form.dataset.only = only;
  if (!only) form.elements.action.value = "confirm";
  fit();
  dialog.showModal();
}

const actionOf = () => form.dataset.only || form.elements.action.value;

function fit() {
  for (const part of form.querySelectorAll("[data-for]")) part.hidden = !part.dataset.for.split(" ").includes(actionOf());
}
form.addEventListener("change", fit);
// What is typed here is not for the keys of the page.
dialog.addEventListener("keydown", (event) => event.stopPropagation());
$("judge-cancel").addEventListener("click", () => dialog.close());
$("take-start").addEventListener("click", () => { form.elements.t_start_s.value = shown.toFixed(2); });
$("take-end").addEventListener("click", () => { form.elements.t_end_s.value = shown.toFixed(2); });
$("add-finding").addEventListener("click", () => open({}, "add"));
$("add-note").addEventListener("click", () => open({}, "note"));
$("judge-whole").addEventListener("click", () => open({}));

const seconds = (text) => {
  const parts = text.trim().replace(",", ".").split(":").map(Number);
  return parts.reduce((sum, part) => sum * 60 + part, 0);
};

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const action = actionOf(), f = about.finding, values = form.elements;
  const body = { version: state.version, by: values.by.value, action, reason: values.reason.value };
  if (f) body.finding = { kind: f.kind, where: f.where, t_start_s: f.key_s };
  if (["confirm", "overrule"].includes(action)) body.tool_verdict = f ? f.tool_verdict : state.verdict;
  if (["overrule", "add"].includes(action)) body.verdict = values.verdict.value;
  if (action === "add") body.finding = { kind: values.kind.value, where: "" };
  if (["time", "add"].includes(action)) {
    body.t_start_s = seconds(values.t_start_s.value);
    body.t_end_s = seconds(values.t_end_s.value);
  }
  if (action === "note") body.t_start_s = shown;
  if (await keep(body)) {
    localStorage.setItem("reviewer", values.by.value);
    dialog.close();
    // The button that opened the dialog was drawn anew meanwhile.
    const row = f && rows.find((r) => { const g = state.findings[r.index]; return g.kind === f.kind && g.where === f.where && g.key_s === f.key_s; });
    row?.judged.querySelector("button").focus();
  }
});

async function undo(c) {
  const finding = c.finding && { kind: c.finding[0], where: c.finding[1], t_start_s: c.finding[2] };
  const by = localStorage.getItem("reviewer") || c.by;
  const kept = await keep({ version: state.version, by, action: "withdraw", withdraws: c.id, finding });
  $("said-trouble").hidden = kept;
  $("said-trouble").textContent = kept ? "" : $("judge-trouble").textContent;
  $("said-title").focus(); // the button that was pressed is gone
}

/** Send one word. When somebody else was quicker, show theirs and leave this one to be sent again. */
async function keep(body) {
  const trouble = $("judge-trouble");
  try {
    state = { ...state, ...await ask(place, { method: "POST", body }) };
    trouble.hidden = true;
    showState();
    return true;
  } catch (e) {
    if (e.status === 409 && e.value?.version !== undefined) {
      const last = e.value.log[0];
      state = { ...state, ...e.value };
      showState();
      trouble.textContent = say("overtaken", { by: last?.by ?? "?" });
    } else trouble.textContent = told(e);
    trouble.hidden = false;
    return false;
  }
}

document.querySelector(".counts").setAttribute("aria-live", "polite"); // a judgement changes them
showState();
