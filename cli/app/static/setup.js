// The drawing follows what is typed; what is wrong with it is said before it is kept.
import { ask, element, told } from "./common.js";

const $ = (id) => document.getElementById(id);
const form = document.querySelector("form[data-drawing]");
let turn = 0;

async function draw() {
  const mine = ++turn;
  try {
    const got = await ask(form.dataset.drawing, { method: "POST", form: new FormData(form) });
    if (mine !== turn) return;
    // As a picture of its own: the drawing's own style would not be let into the page.
    $("drawing").replaceChildren(element("img", { class: "drawing", src: `data:image/svg+xml,${encodeURIComponent(got.svg)}`, alt: got.name }));
    if ($("told")) $("told").textContent = got.told;
    $("drawing-trouble").hidden = true;
  } catch (e) {
    if (mine !== turn) return;
    $("drawing-trouble").textContent = told(e);
    $("drawing-trouble").hidden = false;
    if ($("told")) $("told").textContent = "";
  }
}

/** Only the chosen exercise's distances are shown, and sent. */
function chooseExercise() {
  for (const part of document.querySelectorAll("[data-exercise]")) {
    part.hidden = part.dataset.exercise !== $("exercise").value;
    for (const field of part.querySelectorAll("input")) field.disabled = part.hidden;
  }
}

let pause;
form.addEventListener("input", () => { clearTimeout(pause); pause = setTimeout(draw, 250); });
if ($("exercise")) { $("exercise").addEventListener("change", chooseExercise); chooseExercise(); }
$("more-rows")?.addEventListener("click", () => {
  for (let i = 0; i < 8; i++) {
    const row = $("rows").lastElementChild.cloneNode(true);
    row.querySelector("input").value = "";
    for (const field of row.querySelectorAll("[aria-label]")) field.setAttribute("aria-label", field.getAttribute("aria-label").replace(/\d+$/, $("rows").children.length + 1));
    $("rows").append(row);
  }
});
if ("drawNow" in form.dataset) draw();
