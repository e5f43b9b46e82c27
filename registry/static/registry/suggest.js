// Type-ahead for fields with data-suggest (the combobox with a listbox of the ARIA Authoring Practices Guide).
// Without this script the field is a plain one, and a refusal offers the same suggestions as buttons.

const WAIT_MS = 180; // after the last key: a scanner types faster, and needs no suggestions
let made = 0;

for (const input of document.querySelectorAll("input[data-suggest]")) {
  begin(input);
}

function begin(input) {
  made += 1;
  const list = document.createElement("div");
  list.id = `suggestions-${made}`;
  list.className = "suggestions";
  list.setAttribute("role", "listbox");
  list.setAttribute("aria-label", `Suggestions for ${input.labels[0]?.textContent.trim() ?? "this field"}`);
  list.hidden = true;
  const told = document.createElement("div");
  told.className = "unseen";
  told.setAttribute("role", "status");
  input.after(list, told);
  input.parentElement.classList.add("suggesting");
  input.setAttribute("role", "combobox");
  input.setAttribute("aria-autocomplete", "list");
  input.setAttribute("aria-haspopup", "listbox");
  input.setAttribute("aria-controls", list.id);
  input.setAttribute("aria-expanded", "false");

  let options = [];
  let active = -1;
  let timer = 0;
  let asking = null;

  function close() {
    clearTimeout(timer);
    asking?.abort();
    list.hidden = true;
    input.setAttribute("aria-expanded", "false");
    mark(-1);
  }

  function open() {
    if (options.length) {
      list.hidden = false;
      input.setAttribute("aria-expanded", "true");
    }
  }

  function mark(index) {
    options[active]?.setAttribute("aria-selected", "false");
    active = index;
    const option = options[active];
    if (option) {
      option.setAttribute("aria-selected", "true");
      option.scrollIntoView({ block: "nearest" });
      input.setAttribute("aria-activedescendant", option.id);
    } else {
      input.removeAttribute("aria-activedescendant");
    }
  }

  function pick(option) {
    input.value = option.dataset.value;
    close();
    told.textContent = `${option.dataset.value} is filled in.`;
  }

  function show(groups) {
    list.replaceChildren();
    options = [];
    active = -1;
    input.removeAttribute("aria-activedescendant");
    for (const group of groups) {
      const box = document.createElement("div");
      box.setAttribute("role", "group");
      box.setAttribute("aria-label", group.words);
      const heading = document.createElement("div");
      heading.className = "suggestions-heading";
      heading.setAttribute("aria-hidden", "true");
      heading.textContent = group.words;
      box.append(heading);
      for (const each of group.options) {
        const option = document.createElement("div");
        option.id = `${list.id}-${options.length}`;
        option.setAttribute("role", "option");
        option.setAttribute("aria-selected", "false");
        option.dataset.value = each.value;
        const value = document.createElement("span");
        value.className = "code";
        value.textContent = each.value;
        const words = document.createElement("span");
        words.className = "quiet";
        words.textContent = each.words;
        option.append(value, " ", words);
        // Before the field loses the focus, which would close the list.
        option.addEventListener("mousedown", (event) => event.preventDefault());
        option.addEventListener("click", () => pick(option));
        box.append(option);
        options.push(option);
      }
      list.append(box);
    }
    told.textContent = options.length
      ? groups.map((group) => `${group.words}: ${group.options.length}`).join("; ")
      : "Nothing to suggest.";
    if (options.length) {
      open();
    } else {
      close();
    }
  }

  async function ask() {
    asking?.abort();
    asking = new AbortController();
    const address = new URL(input.dataset.suggest, location.href);
    address.searchParams.set("q", input.value);
    try {
      const answer = await fetch(address, { signal: asking.signal, headers: { Accept: "application/json" } });
      if (answer.ok && document.activeElement === input) {
        show((await answer.json()).groups);
      }
    } catch (problem) {
      if (problem.name !== "AbortError") {
        close(); // no signal: what is typed stays, and is judged when it is sent
      }
    }
  }

  input.addEventListener("input", () => {
    clearTimeout(timer);
    if (input.value.trim()) {
      timer = setTimeout(ask, WAIT_MS);
    } else {
      options = [];
      close();
    }
  });
  input.addEventListener("blur", close);
  input.addEventListener("keydown", (event) => {
    if (event.isComposing) {
      return;
    }
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      if (!options.length) {
        return;
      }
      event.preventDefault();
      const step = event.key === "ArrowDown" ? 1 : -1;
      if (list.hidden) {
        open();
        mark(step === 1 ? 0 : options.length - 1);
      } else if (event.altKey && step === -1) {
        close();
      } else {
        // One place beyond either end is the field itself.
        const places = options.length + 1;
        mark(((active + 1 + step + places) % places) - 1);
      }
    } else if (event.key === "Enter" && !list.hidden && options[active]) {
      event.preventDefault();
      pick(options[active]);
    } else if (event.key === "Escape" && !list.hidden) {
      event.preventDefault();
      close();
    }
  });
}
