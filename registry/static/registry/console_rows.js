// Adds empty rows to a list of rows in the page itself; without this script the server adds them.
"use strict";
for (const section of document.querySelectorAll("[data-rows]")) {
  const prefix = section.dataset.rows;
  const total = document.querySelector(`[name="${prefix}-TOTAL_FORMS"]`);
  const template = section.querySelector("template");
  const button = section.querySelector('button[name="more"]');
  button.textContent = "Another row";
  button.addEventListener("click", (event) => {
    event.preventDefault();
    const place = Number(total.value);
    if (place >= Number(section.dataset.most)) {
      button.disabled = true;
      return;
    }
    const fresh = document.createElement("template");
    fresh.innerHTML = template.innerHTML.replaceAll("__prefix__", String(place));
    const row = fresh.content.firstElementChild;
    row.querySelector(".number").textContent = String(place + 1);
    button.parentElement.before(row);
    total.value = String(place + 1);
    row.querySelector("input, select").focus();
  });
}
