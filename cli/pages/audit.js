// The list of attempts: all of them, or the set that the address names after the #.
"use strict";
(() => {
  const SHOWN = 200;
  const body = document.querySelector("#list tbody");
  const more = document.getElementById("more");
  let rows = [], shown = 0;

  function cell(text) {
    const td = document.createElement("td");
    td.textContent = text ?? "–";
    return td;
  }

  function row([href, id, day, trainee, instructor, vehicle, course, verdict, faults]) {
    const tr = document.createElement("tr");
    const link = document.createElement("a");
    link.href = href;
    link.textContent = id;
    const name = document.createElement("td");
    name.append(link);
    tr.append(cell(day), name, cell(trainee), cell(instructor), cell(vehicle), cell(course),
              cell(AUDIT.verdicts[verdict]), cell(faults.map(k => AUDIT.kinds[k]).join(", ")));
    return tr;
  }

  function showMore() {
    body.append(...rows.slice(shown, shown + SHOWN).map(row));
    shown = Math.min(shown + SHOWN, rows.length);
    more.hidden = shown >= rows.length;
  }

  function members(steps) {
    let at = 0;
    return steps.split(" ").map(step => AUDIT.rows[at += Number(step)]);
  }

  function show() {
    const set = AUDIT.sets[decodeURIComponent(location.hash.slice(1))];
    rows = (set ? members(set[1]) : AUDIT.rows.slice()).reverse();  // newest first
    document.getElementById("what").textContent = set ? set[0] : "All attempts";
    document.getElementById("count").textContent = rows.length === 1 ? "1 attempt" : `${rows.length} attempts`;
    document.getElementById("everything").hidden = !set;
    body.replaceChildren();
    shown = 0;
    showMore();
  }

  more.addEventListener("click", showMore);
  addEventListener("hashchange", show);
  show();
})();
