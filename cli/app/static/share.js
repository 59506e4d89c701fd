// While a copy is being made, show how far it is; then show the page anew with the copy on it.
import { ask } from "./common.js";

const bar = document.getElementById("share-progress");
if (bar) {
  const mine = `share-${document.getElementById("share-state").dataset.attempt}`;
  const watch = setInterval(async () => {
    const job = (await ask("/queue").catch(() => [])).find((j) => j.id === mine);
    if (job?.state === "running") bar.value = job.fraction;
    if (["done", "failed", "cancelled"].includes(job?.state)) { clearInterval(watch); location.reload(); }
  }, 700);
}
