// A field that is there to be copied selects itself whenever it gets the focus.

for (const input of document.querySelectorAll("input[data-select-itself]")) {
  input.addEventListener("focus", () => input.select());
  if (document.activeElement === input) {
    input.select();
  }
}
