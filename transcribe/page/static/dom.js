// Small helpers to make elements. Text always goes in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

/** @param {any} element */
function fill(element, props, children) {
  for (const [key, value] of Object.entries(props || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key === "class") element.setAttribute("class", value);
    else if (key === "mid") element.setAttribute("text-anchor", "middle");
    else if (key === "font") element.setAttribute("font-size", value);
    else if (key === "style") Object.assign(element.style, value);
    else if (key === "value") element.value = value;
    else if (key === "checked" || key === "disabled" || key === "hidden") element[key] = value;
    else element.setAttribute(key, value === true ? "" : value);
  }
  element.append(
    ...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false),
  );
  return element;
}

/** @returns {any} an HTML element */
export function h(tag, props, ...children) {
  return fill(document.createElement(tag), props, children);
}

/** @returns {any} an SVG element */
export function s(tag, props, ...children) {
  return fill(document.createElementNS(SVG, tag), props, children);
}

/** A button, by its properties and what stands on it. @returns {any} an HTML element */
export function control(props, ...children) {
  return h("button", { type: "button", ...props }, children);
}

const SHAPES = new Set(["svg", "path", "polygon", "polyline", "rect", "circle", "text"]);

/** A drawing that the server made, as an element; whatever is no shape or words is left out. */
export function drawing(text) {
  const figure = new DOMParser().parseFromString(text, "text/html").body.firstElementChild;
  for (const part of [figure, ...figure.querySelectorAll("*")]) {
    if (!SHAPES.has(part.localName)) part.remove();
    for (const { name } of [...part.attributes])
      if (name.startsWith("on") || name.endsWith("href")) part.removeAttribute(name);
  }
  return document.importNode(figure, true);
}

export function put(element, ...children) {
  element.replaceChildren(
    ...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false),
  );
  return element;
}

/**
 * Resolves once what was drawn by now is on the screen; at once where there is none.
 * @returns {Promise<void>}
 */
export function drawn() {
  return new Promise((resolve) => {
    if (document.hidden) resolve();
    else requestAnimationFrame(() => setTimeout(resolve));
  });
}

let unsaid = 0;

/** Say a sentence to those who listen to the page. */
export function say(text) {
  const live = document.getElementById("said");
  clearTimeout(unsaid);
  live.textContent = "";
  unsaid = setTimeout(() => {
    live.textContent = text;
  }, 30);
}

/** Show a sentence at the top until it is closed; one of a kind at a time. */
export function notice(text, { kind = "note", actions = [], key = text, into = null } = {}) {
  const list = into || document.getElementById("notices");
  for (const old of [...list.children]) if (old.getAttribute("data-key") === key) old.remove();
  // More than two would bury the page: the oldest go.
  while (!into && list.children.length > 1) list.firstChild.remove();
  const close = () => box.remove();
  const box = h(
    "div",
    { class: `notice ${kind}`, role: kind === "note" ? "status" : "alert", "data-key": key },
    h("p", {}, kind === "error" ? h("strong", {}, "This did not work. ") : null, text),
    h(
      "div",
      { class: "row" },
      actions.map(([label, act]) =>
        control(
          {
            onclick: () => {
              close();
              act();
            },
          },
          label,
        ),
      ),
      control({ class: "plain", onclick: close }, "Close"),
    ),
  );
  list.append(box);
  return close;
}

export function clearNotices(key) {
  for (const old of [...document.getElementById("notices").children]) {
    if (key === undefined || old.getAttribute("data-key") === key) old.remove();
  }
}

let refusals = 0;

/** Say beside fields why what was typed in them is refused; it stays, and Escape gives it up. */
export function refused(reason, giveUp, ...fields) {
  accepted(...fields);
  const id = `refused-${(refusals += 1)}`;
  for (const field of fields) {
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", id);
    field.onkeydown = ({ key }) => {
      if (key === "Escape") giveUp();
    };
  }
  const place = fields[0].closest(".field") || fields[0];
  const words = h("p", { class: "refused", id, role: "alert" }, reason);
  place.after(words);
  // Who has gone on to something else is not taken away from it.
  const stays = fields.some((field) => field === document.activeElement);
  if (stays) words.scrollIntoView({ block: "nearest" });
}

/** What was typed in fields is not refused any more. */
export function accepted(...fields) {
  for (const field of fields) {
    document.getElementById(field.getAttribute("aria-describedby"))?.remove();
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-describedby");
    field.onkeydown = null;
  }
}

/**
 * A question that waits for one of its answers; resolves to the chosen value, or null. What the
 * main answer asks for is done by `attempt`: where that gives a reason, or fails, the question
 * stays and says it.
 *
 * @param {() => string | null | Promise<string | null>} attempt
 */
export function ask(title, body, choices, attempt = () => null) {
  return new Promise((resolve) => {
    let isTried = false;
    const answer = async (value, isMain) => {
      if (isTried) return;
      isTried = true;
      let reason = null;
      try {
        if (isMain) reason = await attempt();
      } catch (error) {
        reason = error.message;
      }
      isTried = false;
      put(trouble, reason);
      if (!reason && dialog.open) done(value);
    };
    const trouble = h("p", { class: "refused", role: "alert" });
    const done = (value) => {
      dialog.close();
      dialog.remove();
      resolve(value);
    };
    const dialog = h(
      "dialog",
      {
        "aria-labelledby": "ask-title",
        oncancel: (e) => {
          e.preventDefault();
          done(null);
        },
      },
      h("h2", { id: "ask-title" }, title),
      ...[body].flat().map((part) => (typeof part === "string" ? h("p", {}, part) : part)),
      trouble,
      h(
        "div",
        { class: "row end" },
        choices.map(([label, value, main]) =>
          control({ class: main ? "main" : null, onclick: () => answer(value, main) }, label),
        ),
      ),
    );
    document.body.append(dialog);
    dialog.showModal();
    (dialog.querySelector("input") || dialog.querySelector("button.main, button"))?.focus();
    dialog.querySelector("input")?.addEventListener("keydown", (event) => {
      if (event.key !== "Enter") return;
      // Else the key would press again whatever has the focus once the question is gone.
      event.preventDefault();
      dialog.querySelector("button.main")?.click();
    });
  });
}

/** Ask for another name of a riff and `rename` it; what that gives, or null where it is left. */
export async function askName(old, rename) {
  let made = null;
  const name = h("input", { type: "text", value: old, maxlength: "60", "aria-label": "New name" });
  const words = "Letters, digits and hyphens; its recording and tab take the name too.";
  const choices = [
    ["Leave it", null],
    ["Rename", true, true],
  ];
  await ask("Rename this riff", [h("p", {}, words), name], choices, async () => {
    made = await rename(name.value);
    return null;
  });
  return made;
}

/** Do what a button asks for, which cannot be asked for again meanwhile; the focus stays on it. */
export async function busy(button, act) {
  const had = document.activeElement === button;
  button.disabled = true;
  try {
    return await act();
  } finally {
    button.disabled = false;
    if (had && document.activeElement === document.body) button.focus({ preventScroll: true });
  }
}

/** Hand a file to whoever sits before the page. */
export function download(url, filename) {
  const link = h("a", { href: url, download: filename });
  document.body.append(link);
  link.click();
  link.remove();
}

/** Say that the name which was asked for is another riff's, where it is. */
export function tellTaken({ taken, name }) {
  if (taken)
    notice(`There is a ${taken} already, so this riff is called ${name}.`, { key: "named" });
}

/** What this browser keeps of a choice, or `otherwise`: private windows forget. */
export function recall(name, otherwise) {
  try {
    return JSON.parse(localStorage.getItem(name)) ?? otherwise;
  } catch {
    return otherwise;
  }
}

export function remember(name, value) {
  try {
    localStorage.setItem(name, JSON.stringify(value));
  } catch {
    /* then it is asked anew next time */
  }
}

/** Why nothing can be recorded. */
export function noMicrophone(error) {
  return error.name === "NotAllowedError"
    ? "The browser does not let this page hear the microphone; allow it beside the address."
    : `No microphone could be used (${error.message}).`;
}
