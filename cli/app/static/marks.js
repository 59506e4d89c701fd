// Pointing out the course's marks in the clip's first picture. After the fourth, each change is fitted at once and the
// distance of every mark from its place in the course file is shown; the places where the rest should be are drawn.
import { ask, element, say, told } from "./common.js";

const $ = (id) => document.getElementById(id);
const setting = JSON.parse($("setting").textContent);
const picks = { ...setting.picks };
let current = setting.marks.find((m) => !picks[m]) ?? setting.marks[0];
let fitted = null, aim = [setting.width / 2, setting.height / 2], aiming = false, turn = 0;

const spots = $("spots");
spots.setAttribute("viewBox", `-0.5 -0.5 ${setting.width} ${setting.height}`);
const place = (name) => say(`mark_${name}`).replace(/^mark_/, "").replaceAll("_", " ");

function draw() {
  $("names").replaceChildren(...setting.marks.map((name) => {
    const off = fitted?.off_m[name];
    return element("li", {}, element("button", { type: "button", class: "mark-row", "aria-pressed": String(name === current), "data-mark": name,
      on: { click: () => { current = name; draw(); $("viewport").focus(); } } },
    element("span", {}, place(name)), element("span", { class: off > 0.5 ? "far" : "hint" },
      picks[name] ? (off === undefined ? say("mark_set") : say("mark_off", { cm: Math.round(off * 100) })) : say("mark_open"))),
    picks[name] ? element("button", { type: "button", class: "plain", "aria-label": say("mark_clear", { name: place(name) }),
      on: { click: () => { delete picks[name]; current = name; changed(); } } }, "✕") : null);
  }));
  for (const mark of document.querySelectorAll(".drawing .mark")) {
    mark.classList.toggle("now", mark.dataset.mark === current);
    mark.classList.toggle("set", mark.dataset.mark in picks);
  }
  const r = setting.width / (spots.clientWidth || setting.width) * 9;
  const cross = (u, v, size) => `M${u - size} ${v}H${u + size}M${u} ${v - size}V${v + size}`;
  let markup = "";
  for (const [name, [u, v]] of Object.entries(picks)) {
    markup += `<path class="halo" d="${cross(u, v, r)}"/><path class="pick${name === current ? " now" : ""}" d="${cross(u, v, r)}"/>`;
  }
  for (const [name, [u, v]] of Object.entries(fitted?.expected_px ?? {})) {
    markup += `<circle class="halo" cx="${u}" cy="${v}" r="${1.3 * r}"/><circle class="expected" cx="${u}" cy="${v}" r="${1.3 * r}"/>`;
  }
  if (aiming) markup += `<path class="halo" d="${cross(...aim, 2 * r)}"/><path class="aim" d="${cross(...aim, 2 * r)}"/>`;
  spots.innerHTML = markup;
  $("keep").disabled = !fitted;
}

async function changed() {
  fitted = null;
  draw();
  const mine = ++turn;
  if (Object.keys(picks).length < setting.least) {
    $("fit").textContent = say("fit_more", { n: setting.least - Object.keys(picks).length });
    return;
  }
  $("fit").textContent = say("fit_wait");
  try {
    const got = await ask(`/attempts/${setting.attempt}/marks/fit`, { method: "POST", body: { picks } });
    if (mine !== turn) return;
    fitted = got;
    const [worst, off] = Object.entries(got.off_m).sort((a, b) => b[1] - a[1])[0];
    $("fit").textContent = say(off > 0.5 ? "fit_far" : "fit_good", { name: place(worst), cm: Math.round(off * 100), height: got.height_m });
  } catch (e) {
    if (mine === turn) $("fit").textContent = told(e);
  }
  draw();
}

function pick(u, v) {
  picks[current] = [Math.round(u * 100) / 100, Math.round(v * 100) / 100];
  current = setting.marks.find((m) => !picks[m]) ?? current;
  changed();
}

$("stage").addEventListener("click", (event) => {
  const box = $("still").getBoundingClientRect();
  aiming = false;
  pick(((event.clientX - box.left) / box.width) * setting.width - 0.5, ((event.clientY - box.top) / box.height) * setting.height - 0.5);
});
$("viewport").addEventListener("keydown", (event) => {
  const move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (move) {
    aiming = true;
    aim = aim.map((c, k) => Math.min(Math.max(c + move[k] * (event.shiftKey ? 1 : 12), 0), (k ? setting.height : setting.width) - 1));
    const scale = $("still").clientWidth / setting.width, port = $("viewport");
    port.scrollTo(aim[0] * scale - port.clientWidth / 2, aim[1] * scale - port.clientHeight / 2);
  } else if (event.key === "Enter") { if (aiming) pick(...aim); } else if (event.key === "+") $("zoom").stepUp();
  else if (event.key === "-") $("zoom").stepDown();
  else return;
  if ("+-".includes(event.key)) zoom();
  event.preventDefault();
  draw();
});

function zoom() {
  const port = $("viewport"), before = $("stage").clientWidth;
  const middle = [(port.scrollLeft + port.clientWidth / 2) / before, (port.scrollTop + port.clientHeight / 2) / before];
  $("stage").style.width = `${100 * $("zoom").value}%`;
  const after = $("stage").clientWidth;
  port.scrollTo(middle[0] * after - port.clientWidth / 2, middle[1] * after - port.clientHeight / 2);
  draw();
}
$("zoom").addEventListener("input", zoom);
$("keep").addEventListener("click", async () => {
  try {
    location.href = (await ask(`/attempts/${setting.attempt}/marks`, { method: "POST", body: { picks } })).next;
  } catch (e) { $("fit").textContent = told(e); }
});
$("still").addEventListener("load", draw);
changed();
