// Not examined, and why: for an item, one side of it, or all that is still unset on a page.
import { button, field, h, sheet } from "./dom.mjs";
import { app, commit } from "./state.mjs";
import { setReason, sidesOf } from "./entry.mjs";
import { reasonWords } from "./words.mjs";

const sidePicker = (item, chosen) => {
  const names = [["", "both sides"], ["left", "left only"], ["right", "right only"]];
  return h("fieldset.radios", {}, h("legend", {}, "Which side"), names.map(([side, words]) =>
    h("label.tick", {}, h("input", { type: "radio", name: "reason-side", value: side, checked: side === chosen.side, onchange: () => (chosen.side = side) }), words)));
};

/** Ask the reason; `gaps` are items with the side that is missing (null: the whole item). */
export const reasonSheet = (doc, title, gaps) => {
  const items = gaps.map((gap) => app.catalogue.items.get(gap.item));
  const single = gaps.length === 1 && items[0].sides === "each" && gaps[0].side === null ? items[0] : null;
  const chosen = { side: "" };
  const note = h("input", { type: "text", dir: "auto", maxlength: "255" });
  const say = (reason, close, warn) => {
    if (reason === "other_reason" && !note.value.trim()) {
      warn.textContent = "Say the reason in the note first.";
      note.focus();
      return;
    }
    close();
    const words = `${title}: not examined, ${reasonWords(reason, app.catalogue)}`;
    commit(doc, words, () => {
      for (const [n, gap] of gaps.entries()) {
        const sides = gap.side ? [gap.side] : single && chosen.side ? [chosen.side] : sidesOf(items[n]);
        for (const side of sides) setReason(doc, items[n], side, reason, note.value.trim(), app.catalogue);
      }
    }, { items: [...new Set(items.map((item) => item.id))] });
  };
  sheet(`${title}: not examined`, (close) => {
    const warn = h("p.problem", { role: "alert" });
    return h("div", {},
      h("p.hint", {}, gaps.length > 1 ? "This goes for all that is still unset here:" : "Why?"),
      gaps.length > 1 ? h("ul.short", {}, gaps.map((gap, n) => h("li", {}, `${items[n].label}${gap.side ? `, ${gap.side}` : ""}`))) : null,
      single ? sidePicker(single, chosen) : null,
      field("Note (for any other reason)", note), warn,
      h("div.reasons", {}, Object.entries(app.catalogue.reasons).map(([id, reason]) => button(reason.label, () => say(id, close, warn), {}, "button.reason"))),
      button("Nothing of this", close));
  });
};
