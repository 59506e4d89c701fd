// The first page: clips go up in pieces that can be taken up again, and the queue is shown live.
import { ask, element, say, told } from "./common.js";

const PIECE = 4_000_000;
const $ = (id) => document.getElementById(id);
let chosen = [];

// ---- choosing ----------------------------------------------------------------------------------

function choose(files) {
  chosen = [...chosen, ...files].filter((f, i, all) => all.findIndex((g) => g.name === f.name && g.size === f.size) === i);
  showChosen();
}

function showChosen() {
  $("chosen").replaceChildren(...chosen.map((file, i) => element("li", {},
    element("span", {}, `${file.name} `, element("small", {}, megabytes(file.size))),
    element("button", { type: "button", class: "plain", "aria-label": say("drop_choice", { name: file.name }),
      on: { click: () => { chosen.splice(i, 1); showChosen(); $("file").focus(); } } }, "✕"))));
  $("parts-row").hidden = chosen.length < 2;
}

const megabytes = (bytes) => bytes >= 1e9 ? `${(bytes / 1e9).toFixed(1)} GB` : `${Math.max(bytes / 1e6, 0.1).toFixed(1)} MB`;

$("file").addEventListener("change", (event) => { choose(event.target.files); event.target.value = ""; });
$("file").addEventListener("keydown", (event) => { // enter opens the choice too, as on any other button
  if (event.key === "Enter") { event.preventDefault(); event.target.click(); }
});
for (const type of ["dragover", "dragleave", "drop"]) {
  document.addEventListener(type, (event) => {
    event.preventDefault();
    $("drop").classList.toggle("over", type === "dragover");
    if (type === "drop") choose(event.dataTransfer.files);
  });
}

for (const field of $("intake").querySelectorAll("select, input[name=instructor]")) {
  const kept = localStorage.getItem(`last-${field.name}`); // a convenience of this browser only
  if (kept !== null && (field.tagName === "INPUT" || [...field.options].some((o) => o.value === kept))) field.value = kept;
  field.addEventListener("change", () => localStorage.setItem(`last-${field.name}`, field.value));
}

// ---- sending -------------------------------------------------------------------------------------

const sending = new Map(); // upload id -> { name, fraction, stop }

async function send(file) {
  const { id, offset } = await ask("/uploads", { method: "POST", body: { name: file.name, size: file.size, modified: file.lastModified } });
  const stop = new AbortController();
  sending.set(id, { name: file.name, fraction: offset / file.size, stop });
  try {
    let at = offset, failures = 0;
    while (at < file.size) {
      showQueue();
      try {
        const piece = file.slice(at, at + PIECE);
        at = (await ask(`/uploads/${id}?offset=${at}`, { method: "PATCH", raw: piece, signal: stop.signal })).offset;
        failures = 0;
      } catch (e) {
        if (e.status === 409) at = Number(e.value?.what ?? e.value); // where the app wants to go on
        else if (e.status !== undefined || stop.signal.aborted || ++failures > 60) throw e;
        else await new Promise((done) => setTimeout(done, 1000)); // the app may be starting again
      }
      sending.get(id).fraction = at / file.size;
    }
    return id;
  } finally {
    sending.delete(id);
  }
}

$("intake").addEventListener("submit", async (event) => {
  event.preventDefault();
  const trouble = $("intake-trouble");
  trouble.hidden = true;
  const fields = Object.fromEntries(new FormData($("intake")));
  const groups = fields.together && chosen.length > 1
    ? [[...chosen].sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }))] : chosen.map((f) => [f]);
  if (!groups.length) return complain(say("choose_first"));
  chosen = [];
  showChosen();
  document.querySelector(".work").scrollIntoView({ block: "nearest" });
  for (const group of groups) {
    try {
      const uploads = [];
      for (const file of group) uploads.push(await send(file));
      await ask("/queue", { method: "POST", body: { uploads, vehicle: fields.vehicle, course: fields.course, lens: fields.lens, rules: fields.rules,
        trainee: fields.trainee, instructor: fields.instructor, quick: "quick" in fields } });
    } catch (e) {
      if (e.name !== "AbortError") complain(told(e));
      choose(group);
    }
    await poll();
  }
});

function complain(text) {
  const trouble = $("intake-trouble");
  trouble.textContent = text;
  trouble.hidden = false;
}

window.addEventListener("beforeunload", (event) => { if (sending.size) event.preventDefault(); });

// ---- the queue -------------------------------------------------------------------------------------

let jobs = [];
let spoken = "";

function showQueue() {
  const focus = document.activeElement?.dataset?.act;
  const rows = [...sending].map(([id, s]) => row({ id, label: s.name, state: "sending", fraction: s.fraction }, [
    act(id, "stop", say("stop", { name: s.name }), say("stop_short"), () => s.stop.abort())]));
  for (const job of jobs) {
    const acts = [];
    if (["waiting", "running"].includes(job.state)) acts.push(steer(job, "cancel"));
    if (["cancelled", "failed"].includes(job.state)) acts.push(steer(job, "resume"), steer(job, "forget"));
    if (job.state === "failed" && job.task === "analyse") acts.unshift(element("a", { class: "button small", href: `/attempts/${job.attempt}/marks` }, say("marks")));
    if (job.state === "done") {
      acts.push(element("a", { class: "button small main", href: job.task === "share" ? `/attempts/${job.attempt}/share` : `/attempts/${job.attempt}` }, say(`open_${job.task}`)), steer(job, "forget"));
    }
    rows.push(row(job, acts));
  }
  $("queue").replaceChildren(...rows);
  $("idle").hidden = rows.length > 0;
  if (focus) document.querySelector(`[data-act="${CSS.escape(focus)}"]`)?.focus();
}

function row(job, acts) {
  const bar = element("progress", { max: 1, "aria-label": say("progress_of", { name: job.label }) });
  if (job.state !== "waiting") bar.value = job.fraction;
  const state = job.state === "running" && job.stage ? `${stage(job.stage)} · ${Math.round(100 * job.fraction)} %`
    : job.state === "sending" ? `${say("sending")} · ${Math.round(100 * job.fraction)} %` : say(`state_${job.state}`);
  const problem = job.problem && element("p", { class: "trouble" }, told({ what: job.problem[0], where: job.problem[1], remedy: job.problem[2], status: 422 }));
  return element("li", { class: `job ${job.state}`, "data-job": job.id }, element("div", { class: "job-head" },
    element("strong", {}, job.label), element("span", { class: "state" }, state)),
  ["running", "sending", "waiting"].includes(job.state) ? bar : null, problem ?? null, element("p", { class: "acts" }, ...acts));
}

const stage = (text) => { const known = say(`stage_${text.replaceAll(" ", "_")}`); return known.startsWith("stage_") ? text : known; };

function steer(job, what) {
  return act(job.id, what, `${say(what)}: ${job.label}`, say(what), async () => {
    await ask(`/queue/${job.id}/${what}`, { method: "POST" });
    await poll();
  });
}

function act(id, what, name, shown, click) {
  return element("button", { type: "button", class: "button small", "data-act": `${what}-${id}`, "aria-label": name, on: { click } }, shown);
}

async function poll() {
  try {
    const before = new Map(jobs.map((j) => [j.id, j.state]));
    jobs = await ask("/queue");

    const ended = jobs.filter((j) => ["done", "failed"].includes(j.state) && before.has(j.id) && before.get(j.id) !== j.state);
    $("lost").hidden = true;
    for (const job of ended) spoken = `${job.label}: ${say(`state_${job.state}`)}`;
    if ($("spoken").textContent !== spoken) $("spoken").textContent = spoken;
    if (ended.some((j) => j.state === "done" && j.task === "analyse")) await refreshAttempts();
    showQueue();
  } catch (e) {
    $("lost").hidden = e.status !== undefined;
  }
}

/** Take the list of attempts anew, without losing what is being typed. */
async function refreshAttempts() {
  const text = await (await fetch(location.pathname + location.search, { headers: { accept: "text/html" } })).text();
  const fresh = new DOMParser().parseFromString(text, "text/html").querySelector(".attempts");
  if (fresh) document.querySelector(".attempts").replaceWith(document.adoptNode(fresh));
}

document.addEventListener("submit", (event) => {
  if (event.target.id !== "compare" || event.target.querySelectorAll("input:checked").length === 2) return;
  event.preventDefault();
  const hint = event.target.querySelector("p .hint");
  hint.setAttribute("role", "alert");
  hint.className = "trouble";
  hint.textContent = say("choose_two");
});

await poll();
setInterval(poll, 1000);
