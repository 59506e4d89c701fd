// Looking closer: step by picture, slow motion, loop, the trail of a chosen point, measuring on the ground, captions.
// Draws with review.js's own layers and camera: `show`, `seek`, `shown`, `video`, `data`, `project`, `cameraAt`, `stroke`.
import { ask, say } from "./common.js";

const $ = (id) => document.getElementById(id);
const more = JSON.parse($("more").textContent);

document.querySelector("section.clip").append($("tools"), $("measured")); // beside what they work on

// ---- pictures, one at a time ---------------------------------------------------------------------------

let times = null; // the clip's own times; until they are here a step is the usual distance of two pictures
ask(`/attempts/${more.attempt}/frames`).then((t) => { times = t; });

function step(direction) {
  video.pause();
  if (!times) return seek(shown + direction * data.frame);
  let k = times.findIndex((t) => t > shown + 1e-3) - 1; // the picture that is shown
  if (k < -1) k = times.length - 1;
  k = Math.min(Math.max(k + direction, 0), times.length - 1);
  // Into the middle of the picture's time: a seek to its very edge may show the one before.
  const next = times[k + 1] ?? times[k] + data.frame;
  video.currentTime = (times[k] + next) / 2;
  show(times[k]);
}
$("t-back").addEventListener("click", () => step(-1));
$("t-on").addEventListener("click", () => step(1));

function press(button, on) { button.setAttribute("aria-pressed", String(on)); return on; }
const pressed = (button) => button.getAttribute("aria-pressed") === "true";

$("t-slow").addEventListener("click", (event) => {
  const slow = press(event.currentTarget, !pressed(event.currentTarget));
  $("rate").value = slow ? "0.25" : "1";
  video.playbackRate = slow ? 0.25 : 1;
});

// ---- looping a finding -----------------------------------------------------------------------------------

let loop = null; // [from, to] in seconds
$("t-loop").addEventListener("click", (event) => {
  if (press(event.currentTarget, !pressed(event.currentTarget))) {
    const finding = document.querySelector(".finding[aria-current]") ?? nearestFinding();
    loop = finding ? [Math.max(0, finding.dataset.seek - 1.5), Number(finding.dataset.end) + 1.5] : [Math.max(0, shown - 2), shown + 2];
    loop[1] = Math.min(loop[1], data.duration);
    seek(loop[0]);
    video.play();
  } else loop = null;
});
document.addEventListener("click", (event) => {
  const finding = event.target.closest(".finding");
  if (loop && finding) loop = [Math.max(0, finding.dataset.seek - 1.5), Math.min(Number(finding.dataset.end) + 1.5, data.duration)];
});
const nearestFinding = () => [...document.querySelectorAll(".finding")]
  .sort((a, b) => Math.abs(a.dataset.seek - shown) - Math.abs(b.dataset.seek - shown))[0];

// ---- the trail of a chosen point ---------------------------------------------------------------------------

const [vehicle, trailer] = data.bodies;
/** Front, rear and half the width of a body. */
function reach({ outline }) {
  const xs = outline.map((p) => p[0]);
  return [Math.max(...xs), Math.min(...xs), Math.max(...outline.map((p) => p[1]))];
}
const [front, rear, half] = reach(vehicle);
const points = [["rear_axle", [0, 0], 0], ...vehicle.tyres.map((t) => [
  `${t.steered ? "front" : "rear"}_${t.y > 0 ? "left" : "right"}_tyre`, [t.x, t.y + Math.sign(t.y) * t.width / 2], 0]),
["front_left_corner", [front, half], 0], ["front_right_corner", [front, -half], 0],
["rear_left_corner", [rear, half], 0], ["rear_right_corner", [rear, -half], 0]];
if (trailer) {
  const [, tail, side] = reach(trailer);
  points.unshift(["trailer_axle", [0, 0], 1], ["trailer_left_corner", [tail, side], 1],
    ["trailer_right_corner", [tail, -side], 1]);
}
for (const [name] of points) $("t-trail").append(new Option(say(`point_${name}`), name));
let [[, followed, followedBody]] = points; // the first is what the page itself draws
$("t-trail").addEventListener("change", (event) => {
  [, followed, followedBody] = points.find(([name]) => name === event.target.value);
  const shownLayer = document.querySelector("input[data-layer=trail]");
  if (shownLayer && !shownLayer.checked) shownLayer.click();
  show(shown);
});
trailUntil = function (t, now) {
  const at = ({ x, y, heading }) => placed([followed], x, y, heading)[0], { path } = data.bodies[followedBody];
  const line = [];
  for (let i = 0; i < data.motion.t.length && data.motion.t[i] <= t; i++) {
    line.push(data.motion.known[i] ? at({ x: path.x[i], y: path.y[i], heading: path.heading[i] }) : null);
  }
  if (now) line.push(at(now.poses[followedBody]));
  return line;
};

// ---- measuring two points on the ground ------------------------------------------------------------------------

const screen = $("screen"), layer = make("g", $("overlay"), { "data-layer": "measure" });
const drawMeasure = stroke(layer, "on-line");
const cross = make("g", layer, { class: "cross" });
make("path", cross, { class: "halo" });
make("path", cross, { class: "ink on-mark" });
let ends = [], aim = null; // on the ground (m); in the picture (px)

/** The place on the ground that a picture's pixel shows, or null above the horizon. */
function toGround(seen, u, v) {
  const [k1, k2, p1, p2, k3] = camera.dist;
  const a0 = (u - camera.cx) / camera.fx, b0 = (v - camera.cy) / camera.fy;
  let a = a0, b = b0;
  for (let i = 0; i < 25; i++) { // the Brown model has no closed inverse; repeated substitution meets it for such lenses
    const r2 = a * a + b * b, radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
    a = (a0 - 2 * p1 * a * b - p2 * (r2 + 2 * a * a)) / radial;
    b = (b0 - p1 * (r2 + 2 * b * b) - 2 * p2 * a * b) / radial;
  }
  const R = seen.rotation, d = [0, 1, 2].map((k) => R[0][k] * a + R[1][k] * b + R[2][k]);
  const s = -seen.centre[2] / d[2];
  return s > 0 ? [seen.centre[0] + s * d[0], seen.centre[1] + s * d[1]] : null;
}

function setEnd() {
  const seen = cameraAt(shown), ground = seen && aim && toGround(seen, ...aim);
  if (!ground) return;
  ends = ends.length === 2 ? [ground] : [...ends, ground];
  tellMeasure();
  show(shown);
}

/** Distance with its 95 % interval: one picture point of aim at each end, and how well places are known here. */
function tellMeasure() {
  $("measured").hidden = false;
  if (ends.length < 2) { $("measured").textContent = say(ends.length ? "measure_second" : "measure_first"); return; }
  const [p, q] = ends, d = Math.hypot(p[0] - q[0], p[1] - q[1]), seen = cameraAt(shown);
  const pixel = seen ? seen.centre[2] / camera.fx : 0.05;
  const half = 1.96 * Math.hypot(Math.SQRT2 * pixel, Math.SQRT2 * more.sd_mark_m);
  const feet = more.units === "ft" ? 1 / 0.3048 : 1;
  $("measured").textContent = say("measured", { d: (d * feet).toFixed(2), half: (half * feet).toFixed(2), unit: more.units });
}

function pixelOf(event) {
  const box = screen.getBoundingClientRect();
  return [((event.clientX - box.left) / box.width) * camera.width - 0.5, ((event.clientY - box.top) / box.height) * camera.height - 0.5];
}

$("t-measure").addEventListener("click", (event) => {
  const on = press(event.currentTarget, !pressed(event.currentTarget));
  screen.classList.toggle("measuring", on);
  ends = [];
  if (on) {
    video.pause();
    aim = [camera.width / 2, camera.height / 2];
    screen.tabIndex = 0;
    screen.setAttribute("role", "application");
    screen.setAttribute("aria-label", say("measure_keys"));
    screen.focus();
    tellMeasure();
  } else {
    aim = null;
    screen.removeAttribute("tabindex");
    screen.removeAttribute("role");
    screen.removeAttribute("aria-label");
    $("measured").hidden = true;
  }
  show(shown);
});
screen.addEventListener("pointerdown", (event) => { if (aim) { aim = pixelOf(event); setEnd(); event.preventDefault(); } });
screen.addEventListener("keydown", (event) => {
  if (!aim) return;
  const move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (move) aim = aim.map((c, k) => Math.min(Math.max(c + move[k] * (event.shiftKey ? 1 : 10), 0), (k ? camera.height : camera.width) - 1));
  else if (event.key === "Enter" || event.key === " ") setEnd();
  else if (event.key === "Escape") $("t-measure").click();
  else return;
  event.preventDefault();
  event.stopPropagation();
  show(shown);
});

const showBase = show;
show = function (t) {
  showBase(t);
  const seen = cameraAt(t);
  const drawn = seen ? ends.map((e) => project(seen, e[0], e[1], 0)).filter(Boolean) : [];
  const tick = camera ? camera.width / 150 : 8;
  drawMeasure(drawn.map(([u, v]) => `M${u - tick} ${v}H${u + tick}M${u} ${v - tick}V${v + tick}`).join("")
    + (drawn.length === 2 ? `M${drawn[0].join(" ")}L${drawn[1].join(" ")}` : ""));
  cross.style.display = aim ? "" : "none";
  if (aim) for (const path of cross.children) path.setAttribute("d", `M${aim[0] - 2 * tick} ${aim[1]}h${1.5 * tick}m${tick} 0h${1.5 * tick}M${aim[0]} ${aim[1] - 2 * tick}v${1.5 * tick}m0 ${tick}v${1.5 * tick}`);
  if (loop && !video.paused && t > loop[1]) video.currentTime = loop[0];
};

// ---- captions and chapters ------------------------------------------------------------------------------------

const tracks = [...video.textTracks];
$("t-captions").addEventListener("click", (event) => {
  const on = press(event.currentTarget, !pressed(event.currentTarget));
  for (const track of tracks) if (track.kind === "captions") track.mode = on ? "showing" : "hidden";
});
const chapters = tracks.find((track) => track.kind === "chapters");
if (chapters) {
  chapters.mode = "hidden"; // read, not drawn
  const element = [...video.querySelectorAll("track")].find((t) => t.track === chapters);
  const fill = () => {
    const clockOf = (t) => `${Math.floor(t / 60)}:${(t % 60).toFixed(1).padStart(4, "0")}`;
    $("t-chapters").replaceChildren(new Option("–", ""), ...[...chapters.cues].map((cue) => new Option(`${clockOf(cue.startTime)} ${cue.text}`, cue.startTime)));
  };
  if (element.readyState === 2) fill(); else element.addEventListener("load", fill);
  $("t-chapters").addEventListener("change", (event) => { if (event.target.value) seek(Number(event.target.value)); });
}

// ---- keys of these tools (the review page's own keys stay) -------------------------------------------------------

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
  if (event.target.closest("input:not([type=checkbox], [type=range]), textarea, select")) return;
  if (event.key === ",") step(-1);
  else if (event.key === ".") step(1);
  else if (event.key === "l") $("t-loop").click();
  else if (event.key === "s") $("t-slow").click();
  else if (event.key === "m") $("t-measure").click();
  else if (event.key === "c") $("t-captions").click();
  else return;
  event.preventDefault();
});
const keys = document.querySelector("#keys dl");
for (const [key, what] of [[", .", "frame"], ["l", "loop"], ["s", "slow"], ["m", "measure"], ["c", "captions"]]) {
  const row = document.createElement("div"), dt = document.createElement("dt"), dd = document.createElement("dd");
  dt.innerHTML = key.split(" ").map(() => "<kbd></kbd>").join(" ");
  key.split(" ").forEach((k, i) => { dt.querySelectorAll("kbd")[i].textContent = k; });
  dd.textContent = say(`key_${what}`);
  row.append(dt, dd);
  keys?.append(row);
}
show(shown);
