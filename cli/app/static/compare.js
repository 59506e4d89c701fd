// Two attempts side by side. Both clips stand where the same distance has been driven since the first reverse began,
// or is left to the end; the plan shows both vehicles there.
import { say } from "./common.js";

const $ = (id) => document.getElementById(id);
const both = JSON.parse($("both").textContent), feet = JSON.parse($("units").textContent) === "ft" ? 1 / 0.3048 : 1;
const unit = feet === 1 ? "m" : "ft";
const videos = [$("video-1"), $("video-2")];

/** Distance driven (m) at each of the motion's times; a gap counts as the straight way across it. */
function driven({ data: { motion, bodies: [{ path: way }] } }) {
  const d = [0];
  let last = null;
  for (let i = 0; i < motion.t.length; i++) {
    const here = motion.known[i] ? [way.x[i], way.y[i]] : null;
    const step = here && last ? Math.hypot(here[0] - last[0], here[1] - last[1]) : 0;
    if (i) d.push(d[i - 1] + (step > 0.004 ? step : 0)); // less is measuring noise of a standing vehicle
    if (here && (!last || step > 0.004)) last = here;
  }
  return d;
}

const sides = both.map((side) => {
  const d = driven(side), t = side.data.motion.t;
  const reverse = side.legs.find((leg) => leg.direction < 0)?.t_start_s ?? t[0];
  const i = Math.max(0, t.findIndex((v) => v >= reverse));
  return { ...side, d, start: d[i], end: d.at(-1) };
});

/** The distance shown by the slider at 0 and at its end, from the chosen origin. */
function range() {
  return $("origin").value === "start"
    ? [-Math.min(...sides.map((s) => s.start)), Math.max(...sides.map((s) => s.end - s.start))]
    : [-Math.max(...sides.map((s) => s.end)), 0];
}
const originOf = (side) => ($("origin").value === "start" ? side.start : side.end);

/** Index of the first sample at which the side has come this far. */
function indexAt(side, metres) {
  const goal = metres + originOf(side);
  let low = 0, high = side.d.length - 1;
  while (low < high) { const mid = (low + high) >> 1; if (side.d[mid] < goal) low = mid + 1; else high = mid; }
  return low;
}

const SVG = "http://www.w3.org/2000/svg";
function add(name, attributes, parent = $("plan")) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return parent.appendChild(made);
}
const wayOf = ({ data: { motion: m, bodies } }) => m.t.flatMap((_, i) => (m.known[i] ? [[bodies[0].path.x[i], bodies[0].path.y[i]]] : []));
const path = (points, close = "") => points.length ? "M" + points.map(([x, y]) => `${x.toFixed(2)} ${(-y).toFixed(2)}`).join("L") + close : "";

function drawYard() {
  const { lines, box, marks } = both[0].data;
  const all = [...lines.flat(), ...(box ?? []), ...marks.map((m) => [m.x, m.y]),
    ...sides.flatMap(wayOf)];
  const xs = all.map((p) => p[0]), ys = all.map((p) => p[1]);
  const x0 = Math.min(...xs) - 5, y1 = Math.max(...ys) + 1.5;
  $("plan").setAttribute("viewBox", `${x0} ${-y1} ${Math.max(...xs) + 9 - x0} ${y1 - Math.min(...ys) + 1.5}`);
  for (const line of lines) add("path", { class: "line", d: path(line) });
  if (box) add("path", { class: "box", d: path(box, "Z") });
  for (const m of marks) add("circle", { class: "cone", cx: m.x, cy: -m.y, r: 0.3 });
  sides.forEach((side, k) => {
    add("path", { class: `way w${k + 1}`, d: path(wayOf(side)) });
    side.shapes = side.data.bodies.map((body) => add("path", { class: `vehicle v${k + 1}`, d: path(body.outline, "Z") }));
  });
}

function show(metres, { seek = true } = {}) {
  sides.forEach((side, k) => {
    const i = indexAt(side, metres), m = side.data.motion;
    if (seek) videos[k].currentTime = m.t[i];
    side.shapes.forEach((shape, b) => {
      const p = side.data.bodies[b].path;
      shape.style.display = m.known[i] ? "" : "none";
      shape.setAttribute("transform", `translate(${p.x[i]} ${-p.y[i]}) rotate(${(-p.heading[i] * 180) / Math.PI})`);
    });
    $(`at-${k + 1}`).textContent = say("compare_at", { t: m.t[i].toFixed(1), speed: m.known[i] ? (Math.abs(m.speed[i]) * feet).toFixed(1) : "–", unit });
  });
  $("metres").textContent = `${(Math.round(metres * feet * 10) / 10 || 0).toFixed(1).replace("-", "−")} ${unit}`;
  $("distance").setAttribute("aria-valuetext", $("metres").textContent);
}

function metresOfSlider() {
  const [low, high] = range();
  return low + ($("distance").value / 1000) * (high - low);
}
$("distance").addEventListener("input", () => show(metresOfSlider()));
$("origin").addEventListener("change", () => show(metresOfSlider()));

// Played at one metre a second along the way: faster or slower driving shows in the clips' own pace.
let timer = null;
$("play").addEventListener("click", () => {
  if (timer) { clearInterval(timer); timer = null; } else {
    const [low, high] = range();
    timer = setInterval(() => {
      const next = Number($("distance").value) + (1000 / (high - low)) * 0.1;
      $("distance").value = Math.min(next, 1000);
      show(metresOfSlider());
      if (next >= 1000) $("play").click();
    }, 100);
  }
  $("play").textContent = say(timer ? "pause" : "play");
});

drawYard();
const [low, high] = range();
$("distance").value = Math.round((-low / (high - low)) * 1000);
show(metresOfSlider());
