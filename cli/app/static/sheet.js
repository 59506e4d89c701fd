document.getElementById("print").addEventListener("click", () => window.print());
// On a narrow screen the plan is moved sideways, by keyboard too.
for (const region of document.querySelectorAll(".where")) region.tabIndex = 0;
