"use strict";
// Without this script everything can still be read and chosen in the list; with it, balloons and keys choose too.
const byId = (id) => document.getElementById(id);
const press = (input) => { if (input && !input.checked) { input.checked = true; input.dispatchEvent(new Event("change", { bubbles: true })); } };
const figureOf = () => [...document.querySelectorAll("#section .figure")].find((f) => getComputedStyle(f).display !== "none");
const holds = (figure, number) => figure && figure.dataset.numbers.split(" ").includes(number);
document.addEventListener("click", (event) => {
  const mark = event.target.closest("svg [data-c]");
  if (mark) press(byId("c-" + mark.dataset.c));
});
document.addEventListener("change", (event) => {
  if (event.target.name !== "c") return;
  const number = event.target.id.slice(2);
  if (holds(figureOf(), number)) return;
  const other = [...document.querySelectorAll("#section .figure")].find((f) => holds(f, number));
  if (other) press(byId("s-" + other.dataset.s));
});
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const panel = document.activeElement && document.activeElement.closest(".panel");
  if (!panel) return;
  const key = event.key.toUpperCase();
  if (panel.id === "view") {
    if ("SOBLMD".includes(key) && key.length === 1) press(byId("v-" + key));
    if (key === "P") press(byId(byId("m-plain") && byId("m-plain").checked ? "m-deviation" : "m-plain"));
  }
  if (panel.id === "section" && (key === "[" || key === "]")) {
    const planes = [...document.querySelectorAll("input[name=s]")];
    const at = planes.findIndex((p) => p.checked) + (key === "]" ? 1 : planes.length - 1);
    press(planes[at % planes.length]);
  }
});
