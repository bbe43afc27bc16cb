// Elements made from text and never from markup: what a name or a label holds cannot become part of the page.

const put = (element, child) => {
  if (child === null || child === undefined || child === false) return;
  if (Array.isArray(child)) child.forEach((one) => put(element, one));
  else element.append(child);
};

/** An element: `h("button.wide", {onclick, "aria-pressed": "true"}, "Words", child)`; null fields are left out. */
export const h = (name, fields = {}, ...children) => {
  const [tag, ...classes] = name.split(".");
  const element = document.createElement(tag);
  if (classes.length) element.className = classes.join(" ");
  for (const [key, value] of Object.entries(fields)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key === "value") element.value = value;
    else element.setAttribute(key, value === true ? "" : value);
  }
  children.forEach((child) => put(element, child));
  if (tag === "select" && fields.value !== undefined) element.value = fields.value ?? "";
  return element;
};

/** A button that says what it does. */
export const button = (words, onclick, fields = {}, name = "button") =>
  h(name, { type: "button", onclick, ...fields }, words);

/** Text whose direction is its own (a name in another script). */
export const bdi = (text) => h("bdi", {}, text);

let count = 0;

/** An id that nothing else on the page has. */
export const freshId = () => `n${(count += 1)}`;

/** A field with its label. */
export const field = (words, control, note = null) => {
  control.id ||= freshId();
  return h("div.field", {}, h("label", { for: control.id }, words), control, note && h("p.hint", {}, note));
};

/** A list to choose one of: entries are [value, words]. */
export const choice = (entries, value, onchange, fields = {}) =>
  h(
    "select",
    { ...fields, value: value ?? "", onchange: (event) => onchange(event.target.value || null) },
    entries.map(([id, words]) => h("option", { value: id }, words)),
  );

/** Say something to those who listen rather than look. */
export const announce = (words) => {
  const place = document.getElementById("said");
  if (place) place.textContent = words;
};

/** What stands at the head of every window: of whom it is (the identity puts it there). */
export const sheetHead = { of: () => null };

/** A window over the page; focus stays in it, Escape closes it, focus goes back to where it was. */
export const sheet = (title, build, { wide = false, onclose = null } = {}) => {
  const from = document.activeElement;
  const heading = h("h2", { id: freshId(), tabindex: "-1" }, title);
  const dialog = h(wide ? "dialog.sheet.wide" : "dialog.sheet", { "aria-labelledby": heading.id });
  const close = () => dialog.close();
  dialog.addEventListener("close", () => {
    dialog.remove();
    onclose?.();
    // The card it was opened from may have been shown anew meanwhile.
    const key = from?.getAttribute?.("data-focus");
    const again = from?.isConnected ? from : key && document.querySelector(`[data-focus="${CSS.escape(key)}"]`);
    again?.focus();
  });
  put(dialog, [sheetHead.of(), heading, build(close, dialog)]);
  document.body.append(dialog);
  dialog.showModal();
  heading.focus();
  return dialog;
};
