
// A button that prints the page it stands on; without a script there is none, and the browser's menu does it.

for (const button of document.querySelectorAll("button[data-print]")) {
  button.addEventListener("click", () => window.print());
  button.hidden = false;
}
