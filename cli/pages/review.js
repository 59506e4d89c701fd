"use strict";
// Keeps clip, overlay, plan and charts at the same moment. All geometry is in the course frame
// (metres; x from the bay, y to its left, z up) and reaches the picture through the clip's camera.

const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const video = $("video");
const { camera, motion, bodies } = data; // bodies: the vehicle and, where there is one, its trailer

// ---- moments ---------------------------------------------------------------------------------

/** Samples before and after t and the fraction between them, or null next to an unknown sample. */
function bracket(times, known, t) {
  let low = 0, high = times.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle] <= t) low = middle; else high = middle - 1;
  }
  const next = Math.min(low + 1, times.length - 1);
  const step = times[next] - times[low];
  const f = step > 0 ? Math.min(Math.max((t - times[low]) / step, 0), 1) : 0;
  return known[low] && (f === 0 || known[next]) ? { i: low, j: next, f } : null;
}

const mix = (values, at) => values[at.i] + at.f * (values[at.j] - values[at.i]);

function stateAt(t) {
  const at = bracket(motion.t, motion.known, t);
  if (!at) return null;
  const poses = bodies.map(({ path }) => ({ x: mix(path.x, at), y: mix(path.y, at), heading: mix(path.heading, at) }));
  return { poses, wheel: mix(motion.wheel, at) };
}

function cameraAt(t) {
  const at = camera && bracket(camera.t, camera.known, t);
  if (!at) return null;
  const [w, x, y, z] = unit([0, 1, 2, 3].map((k) => mixAt(camera.q, at, k)));
  return {
    centre: [0, 1, 2].map((k) => mixAt(camera.centre, at, k)),
    rotation: [
      [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
      [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
      [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ],
  };
}

const mixAt = (rows, at, k) => rows[at.i][k] + at.f * (rows[at.j][k] - rows[at.i][k]);

function unit(v) {
  const length = Math.hypot(...v);
  return v.map((c) => c / length);
}

// ---- projection: pinhole with Brown distortion (k1, k2, p1, p2, k3); pixel (0, 0) is a pixel's centre --

function project(seen, x, y, z) {
  const d = [x - seen.centre[0], y - seen.centre[1], z - seen.centre[2]];
  const [u, v, depth] = seen.rotation.map((r) => r[0] * d[0] + r[1] * d[1] + r[2] * d[2]);
  if (depth < 0.1) return null;
  const a = u / depth, b = v / depth, r2 = a * a + b * b;
  const [k1, k2, p1, p2, k3] = camera.dist;
  const radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
  return [
    camera.fx * (a * radial + 2 * p1 * a * b + p2 * (r2 + 2 * a * a)) + camera.cx,
    camera.fy * (b * radial + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b) + camera.cy,
  ];
}

function pathThrough(seen, points, closed = false, z = 0) {
  let d = "", pen = "M";
  for (const p of points) {
    const px = p && project(seen, p[0], p[1], z);
    if (!px) { pen = "M"; continue; }
    d += pen + px[0].toFixed(2) + " " + px[1].toFixed(2);
    pen = "L";
  }
  return closed && d ? d + "Z" : d;
}

function placed(points, x, y, heading) {
  const c = Math.cos(heading), s = Math.sin(heading);
  return points.map(([a, b]) => [x + c * a - s * b, y + s * a + c * b]);
}

/** Turn of a steered wheel at lateral place y for a single-track angle (Ackermann). */
function wheelTurn(wheel, y) {
  const t = Math.tan(wheel), wheelbase = bodies[0].wheelbase;
  return Math.atan2(wheelbase * t, wheelbase - y * t);
}

function tyreOutline(body, tyre, wheel) {
  const a = body.tyreLength / 2, b = tyre.width / 2;
  return placed([[-a, -b], [a, -b], [a, b], [-a, b]], tyre.x, tyre.y, tyre.steered ? wheelTurn(wheel, tyre.y) : 0);
}

/** The path of the last body's axle up to t; null where it is broken by a gap. */
function trailUntil(t, now) {
  const points = [], last = bodies.length - 1, { x, y } = bodies[last].path;
  for (let i = 0; i < motion.t.length && motion.t[i] <= t; i++) {
    points.push(motion.known[i] ? [x[i], y[i]] : null);
  }
  if (now) points.push([now.poses[last].x, now.poses[last].y]);
  return points;
}

// ---- overlay on the clip -------------------------------------------------------------------------

const SVG = "http://www.w3.org/2000/svg";
const overlay = $("overlay");
const layers = {};

function make(name, parent, attributes) {
  const element = document.createElementNS(SVG, name);
  for (const key in attributes) element.setAttribute(key, attributes[key]);
  return parent.appendChild(element);
}

/** A line with a dark halo under it; returns a function that sets its path. */
function stroke(layer, className, count = 1) {
  const pairs = Array.from({ length: count }, () => [
    make("path", layer, { class: "halo" }), make("path", layer, { class: "ink " + className }),
  ]);
  return (d, k = 0) => pairs[k].forEach((p) => p.setAttribute("d", d));
}

for (const key of ["line", "box", "planned", "mark", "trail", "tyre", "solid", "vehicle", "finding", "turning"]) {
  layers[key] = make("g", overlay, { "data-layer": key });
}
const draw = {
  line: stroke(layers.line, "on-line", data.lines.length),
  box: stroke(layers.box, "on-box"),
  planned: stroke(layers.planned, "on-planned", data.marks.length),
  mark: stroke(layers.mark, "on-mark", data.marks.length),
  trail: stroke(layers.trail, "on-trail"),
  vehicle: stroke(layers.vehicle, "on-vehicle", bodies.length),
  solid: stroke(layers.solid, "on-solid"),
};
const tyrePaths = bodies.map((body) => body.tyres.map(() => make("path", layers.tyre, { class: "solid-tyre" })));
const places = data.places.map((place) => {
  const group = make("g", layers.finding, {});
  return { place, group, disc: make("circle", group, { class: "solid-finding" }), number: make("text", group, {}) };
});

const turning = data.turning.map((point) => {
  const group = make("g", layers.turning, {});
  return { point, group, ring: stroke(group, "on-turning"), dot: make("circle", group, { class: "solid-turning" }),
    words: make("text", group, { class: "turning-words" }) };
});
const TURNING_SHOWN_S = 4; // before and after

function drawOverlay(t, now) {
  const seen = cameraAt(t);
  overlay.style.visibility = seen ? "visible" : "hidden";
  if (!seen) return;
  const px = camera.width / (overlay.clientWidth || camera.width); // picture pixels in a screen pixel
  data.lines.forEach((line, k) => draw.line(pathThrough(seen, line), k));
  draw.box(pathThrough(seen, data.box, true));
  data.marks.forEach((mark, k) => {
    const at = project(seen, mark.x, mark.y, 0), meant = project(seen, mark.px, mark.py, 0), r = 6.5 * px;
    draw.mark(at ? `M${at[0]} ${at[1] - r}l${r} ${r}l${-r} ${r}l${-r} ${-r}Z` : "", k);
    draw.planned(meant ? `M${meant[0] - r} ${meant[1]}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0Z` : "", k);
  });
  draw.trail(pathThrough(seen, trailUntil(t, now)));
  bodies.forEach((body, b) => {
    const pose = now && now.poses[b];
    const here = (points) => (pose ? placed(points, pose.x, pose.y, pose.heading) : []);
    draw.vehicle(pathThrough(seen, here(body.outline), true) + pathThrough(seen, here(body.drawbar)), b);
    tyrePaths[b].forEach((path, k) => {
      path.setAttribute("d", pathThrough(seen, here(now ? tyreOutline(body, body.tyres[k], now.wheel) : []), true));
    });
  });
  draw.solid(now ? bodies.map((body, b) => body.solids.map((solid) => solidPath(seen, solid, now.poses[b])).join(""))
    .join("") : "");
  for (const { place, group, disc, number } of places) {
    const at = t >= place.from - 1.5 && t <= place.to + 1.5 && project(seen, place.x, place.y, 0);
    group.style.display = at ? "" : "none";
    if (!at) continue;
    disc.setAttribute("cx", at[0]); disc.setAttribute("cy", at[1]); disc.setAttribute("r", 10 * px);
    number.setAttribute("x", at[0]); number.setAttribute("y", at[1]);
    number.style.fontSize = 12 * px + "px";
    number.textContent = place.n;
  }
  drawTurning(t, seen, px);
}

function drawTurning(t, seen, px) {
  for (const { point, group, ring, dot, words } of turning) {
    const at = Math.abs(t - point.t) < TURNING_SHOWN_S && project(seen, point.x, point.y, 0), r = 9 * px;
    group.style.display = at ? "" : "none";
    if (!at) continue;
    ring(`M${at[0] - r} ${at[1]}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0Z`);
    dot.setAttribute("cx", at[0]); dot.setAttribute("cy", at[1]); dot.setAttribute("r", 3 * px);
    words.setAttribute("x", at[0]); words.setAttribute("y", at[1] + (point.kind === "saving" ? 22 : -20) * px);
    words.style.fontSize = 14 * px + "px";
    words.style.strokeWidth = 4 * px + "px";
    words.textContent = point.label;
  }
}

function solidPath(seen, solid, pose) {
  const ring = placed(solid.ring, pose.x, pose.y, pose.heading);
  let d = pathThrough(seen, ring, true, solid.low) + pathThrough(seen, ring, true, solid.high);
  for (const [x, y] of ring) {
    const foot = project(seen, x, y, solid.low), head = project(seen, x, y, solid.high);
    if (foot && head) d += `M${foot[0]} ${foot[1]}L${head[0]} ${head[1]}`;
  }
  return d;
}

// ---- plan ------------------------------------------------------------------------------------------

const plan = $("plan");
const whole = plan.getAttribute("viewBox").split(" ").map(Number);
const planBodies = [...plan.querySelectorAll(".live")];
const degrees = (rad) => (rad * 180) / Math.PI;

function drawPlan(t, now) {
  planBodies.forEach((body) => { body.style.display = now ? "" : "none"; });
  let pen = "M";
  $("plan-trail").setAttribute("d", trailUntil(t, now).map((p) => {
    if (!p) { pen = "M"; return ""; }
    const step = `${pen}${p[0].toFixed(3)} ${(-p[1]).toFixed(3)}`;
    pen = "L";
    return step;
  }).join(""));
  if (now) {
    now.poses.forEach(({ x, y, heading }, b) => {
      planBodies[b].setAttribute("transform", `translate(${x} ${-y}) rotate(${-degrees(heading)})`);
    });
    for (const tyre of plan.querySelectorAll(".live [data-y]")) {
      const turn = -degrees(wheelTurn(now.wheel, Number(tyre.dataset.y)));
      tyre.setAttribute("transform", `rotate(${turn} ${tyre.dataset.x} ${-tyre.dataset.y})`);
    }
  }
  framePlan(now);
}

/** Show the whole yard, or the surroundings of the vehicle. */
function framePlan(now) {
  const box = plan.getBoundingClientRect();
  if (!box.width) return;
  let view = whole;
  if ($("follow").checked) {
    const width = whole[2] * 0.42, height = (width * box.height) / box.width;
    const [first] = now ? now.poses : [];
    const x = first ? first.x : whole[0] + whole[2] / 2, y = first ? -first.y : whole[1] + whole[3] / 2;
    view = [x - width / 2, y - height / 2, width, height];
  }
  plan.setAttribute("viewBox", view.join(" "));
  plan.style.setProperty("--u", Math.max(view[2] / box.width, view[3] / box.height));
}

// ---- charts ----------------------------------------------------------------------------------------

const cursors = document.querySelectorAll(".cursor");

function drawCharts(t) {
  const across = Math.min(Math.max(t / data.duration, 0), 1) * 100 + "%";
  cursors.forEach((cursor) => { cursor.style.left = across; });
  const at = bracket(motion.t, motion.known, t);
  for (const chart of data.charts) {
    $("now-" + chart.key).textContent = at ? readout(chart, at) : "not measured";
  }
}

/** '0.74 ± 0.04 m'; of several curves all values, with the widest interval. */
function readout(chart, at) {
  const known = (curve) => curve.value[at.i] !== null && curve.value[at.j] !== null;
  const short = (v) => v.toFixed(chart.decimals).replace("-", "−").replace(/^−(0\.?0*)$/, "$1");
  const values = chart.curves.map((curve) => (known(curve) ? short(mix(curve.value, at)) : "–")).join(" · ");
  const half = Math.max(...chart.curves.filter(known).map((curve) => 1.96 * mix(curve.sd, at)), 0);
  return `${values} ± ${short(half)}${chart.unit === "°" ? "" : " "}${chart.unit}`;
}

// ---- one moment everywhere ---------------------------------------------------------------------------

const clock = (t) => {
  const tenths = Math.round(t * 10);
  return `${Math.floor(tenths / 600)}:${((tenths % 600) / 10).toFixed(1).padStart(4, "0")}`;
};
const findings = [...document.querySelectorAll(".finding")];
let shown = 0;

function show(t) {
  shown = t;
  const now = stateAt(t);
  drawOverlay(t, now);
  drawPlan(t, now);
  drawCharts(t);
  $("unmeasured").hidden = Boolean(now);
  $("clock").innerHTML = `${clock(t)}<span> of ${clock(data.duration)}</span>`;
  $("scrub").value = Math.round((1000 * t) / data.duration);
  $("scrub").setAttribute("aria-valuetext", clock(t));
  for (const finding of findings) {
    const from = Number(finding.dataset.seek), to = Number(finding.dataset.end);
    const brief = to - from < data.duration / 2; // what concerns the whole run is not news at any moment
    finding.toggleAttribute("aria-current", brief && t >= from - 0.05 && t <= Math.max(to, from + 0.5));
  }
}

function seek(t) {
  const to = Math.min(Math.max(t, 0), Math.max(0, (video.duration || data.duration) - 0.001));
  video.currentTime = to;
  show(to);
}

function togglePlay() {
  if (video.paused) video.play().catch(() => { $("unplayable").hidden = false; }); else video.pause();
}

/** Go to the finding before or after this moment, and put the focus on it. */
function stepFinding(direction) {
  const inOrder = [...findings].sort((a, b) => a.dataset.seek - b.dataset.seek);
  const here = inOrder.indexOf(document.activeElement);
  const sameMoment = here >= 0 && Math.abs(inOrder[here].dataset.seek - shown) < 0.06;
  const target = sameMoment ? inOrder[here + direction]
    : direction > 0 ? inOrder.find((f) => f.dataset.seek > shown + 0.01)
      : inOrder.findLast((f) => f.dataset.seek < shown - 0.01);
  if (!target) return;
  target.focus();
  seek(Number(target.dataset.seek));
}

document.addEventListener("click", (event) => {
  const goal = event.target.closest("[data-seek]");
  const plot = event.target.closest("[data-plot]");
  if (goal) seek(Number(goal.dataset.seek));
  else if (plot) {
    const box = plot.getBoundingClientRect();
    seek(((event.clientX - box.left) / box.width) * data.duration);
  }
});

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const on = event.target;
  const operates = on.closest("button, select, input[type=checkbox], dialog");
  if (event.key === "?") { if ($("keys").open) $("keys").close(); else $("keys").showModal(); }
  else if ($("keys").open) return;
  else if (event.key === " " && !operates) togglePlay();
  else if (event.key === "ArrowLeft" && !on.closest("select")) seek(shown - (event.shiftKey ? data.frame : 1));
  else if (event.key === "ArrowRight" && !on.closest("select")) seek(shown + (event.shiftKey ? data.frame : 1));
  else if (event.key === "[") stepFinding(-1);
  else if (event.key === "]") stepFinding(1);
  else return;
  event.preventDefault();
});

for (const box of document.querySelectorAll("input[data-layer]")) {
  const apply = () => { layers[box.dataset.layer].style.display = box.checked ? "" : "none"; };
  box.addEventListener("change", apply);
  apply();
}
$("play").addEventListener("click", togglePlay);
$("previous").addEventListener("click", () => stepFinding(-1));
$("next").addEventListener("click", () => stepFinding(1));
$("help").addEventListener("click", () => $("keys").showModal());
$("scrub").addEventListener("input", (event) => seek((event.target.value / 1000) * data.duration));
$("rate").addEventListener("change", (event) => { video.playbackRate = Number(event.target.value); });
$("follow").checked = matchMedia("(max-width: 1020px)").matches;
$("follow").addEventListener("change", () => show(shown));
new ResizeObserver(() => show(shown)).observe(document.body);

for (const [type, playing] of [["play", true], ["pause", false], ["ended", false]]) {
  video.addEventListener(type, () => {
    document.body.classList.toggle("playing", playing);
    $("play").setAttribute("aria-label", playing ? "Pause" : "Play");
  });
}
video.addEventListener("error", () => { $("unplayable").hidden = false; });
video.addEventListener("seeked", () => show(video.currentTime));

// The picture on the screen tells its own time where the browser can say it; else the clock of the player.
if ("requestVideoFrameCallback" in HTMLVideoElement.prototype) {
  const onPicture = (_, picture) => {
    if (!video.paused) show(picture.mediaTime);
    video.requestVideoFrameCallback(onPicture);
  };
  video.requestVideoFrameCallback(onPicture);
} else {
  const onTick = () => { if (!video.paused) show(video.currentTime); requestAnimationFrame(onTick); };
  requestAnimationFrame(onTick);
}

if (camera) {
  overlay.setAttribute("viewBox", `-0.5 -0.5 ${camera.width} ${camera.height}`);
  $("screen").style.setProperty("--shape", `${camera.width} / ${camera.height}`);
  $("screen").style.setProperty("--ratio", camera.width / camera.height);
}
const bytes = $("clip-bytes").textContent;
if (bytes) {
  const raw = atob(bytes), array = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) array[i] = raw.charCodeAt(i);
  video.src = URL.createObjectURL(new Blob([array], { type: "video/mp4" }));
}
show(0);
