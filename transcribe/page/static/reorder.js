// A list whose items are put into another order: dragged by a handle with mouse, pen or finger, or
// moved with the arrow keys while the handle has the focus.

const EDGE = 60; // pixels at the window's edges where dragging scrolls on (chosen by eye)

/**
 * @param {HTMLElement} list
 * @param {(key: string, to: number) => void} move puts the item with `key` at the place `to`
 */
export function reordered(list, move) {
  let drag = null;

  const items = () => /** @type {HTMLElement[]} */ ([...list.children]);
  const itemOf = (target) => items().find((item) => item.contains(target));

  /** Where the pointer is on the page, as it is scrolled now. */
  const heightOf = (event) => event.clientY + window.scrollY;

  function begin(event) {
    const handle = event.target.closest?.("[data-handle]");
    if (!handle || event.button > 0) return;
    const item = itemOf(handle);
    drag = { handle, item, startY: heightOf(event), from: items().indexOf(item), to: null };
    handle.setPointerCapture(event.pointerId);
  }

  /** Begin to drag: the list is shown short, with the handle still under the pointer. */
  function pick(event) {
    const top = () => drag.handle.getBoundingClientRect().top;
    const before = top();
    list.classList.add("sorting");
    window.scrollBy(0, top() - before);
    // Where the page cannot be scrolled as far, the list begins lower.
    list.style.paddingTop = `${Math.max(0, before - top())}px`;
    drag.startY = heightOf(event) + top() - before;
  }

  function follow(event) {
    if (!drag) return;
    if (drag.to === null && Math.abs(heightOf(event) - drag.startY) < 5) return;
    event.preventDefault();
    if (drag.to === null) pick(event);
    drag.item.classList.add("dragged");
    drag.item.style.transform = `translateY(${heightOf(event) - drag.startY}px)`;
    // Where it is let go it comes to lie among the others, by the pointer's own height.
    const others = items().filter((item) => item !== drag.item);
    drag.to = others.filter((item) => {
      const box = item.getBoundingClientRect();
      return event.clientY > box.top + box.height / 2;
    }).length;
    for (const [k, item] of others.entries()) {
      item.classList.toggle("comes-before", k === drag.to);
      item.classList.toggle("comes-after", k === others.length - 1 && drag.to === others.length);
    }
    if (event.clientY < EDGE) window.scrollBy(0, -12);
    else if (event.clientY > window.innerHeight - EDGE) window.scrollBy(0, 12);
  }

  function end(keep) {
    if (!drag) return;
    const { item, from, to } = drag;
    drag = null;
    item.classList.remove("dragged");
    list.classList.remove("sorting");
    list.style.paddingTop = "";
    item.style.transform = "";
    for (const each of items()) each.classList.remove("comes-before", "comes-after");
    if (to === null) return;
    if (keep && to !== from) move(item.dataset.key, to);
    item.scrollIntoView({ block: "nearest" });
  }

  function key(event) {
    if (event.key === "Escape" && drag) {
      end(false);
      return;
    }
    const step = { ArrowUp: -1, ArrowLeft: -1, ArrowDown: 1, ArrowRight: 1 }[event.key];
    const handle = event.target.closest?.("[data-handle]");
    if (!step || !handle || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    const item = itemOf(handle);
    const to = items().indexOf(item) + step;
    if (to >= 0 && to < items().length) move(item.dataset.key, to);
  }

  list.addEventListener("pointerdown", begin);
  list.addEventListener("pointermove", follow);
  list.addEventListener("pointerup", () => end(true));
  list.addEventListener("pointercancel", () => end(false));
  list.addEventListener("keydown", key);
}
