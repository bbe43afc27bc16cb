// A measured or counted number: its digits as typed, its unit, the conversion, the ranges in force for this infant now.
import { button, choice, freshId, h } from "./dom.mjs";
import { app, commit, derived } from "./state.mjs";
import { entriesOf, isWholeEntry, placeEntry } from "./entry.mjs";
import { now } from "./moments.mjs";
import { amount, unitShown } from "./units.mjs";
import { applicable, deciding, judge, whyNot } from "./judgement.mjs";
import { LINE } from "./hours.mjs";
import { remember, remembered } from "./store.mjs";
import { spanWords } from "./spans.mjs";
import { is, markedMeaning, meaningSaid, named, ofSide, said, sideSaid } from "./said.mjs";
import { digitsSaid, listed } from "./say.mjs";
import { afterRest } from "./lead.mjs";
import { pagesOf } from "./pages.mjs";
import { countSheet } from "./count_sheet.mjs";
import { refillSheet } from "./refill_sheet.mjs";

const setUnit = (value, picked) => {
  value.unit = picked === "lb+oz" ? "[lb_av]" : picked;
  if (picked === "lb+oz") value.plus ??= { value: "", unit: "[oz_av]" };
  else delete value.plus;
  return value;
};

/** An empty entry, in the unit that this device last used for the item. */
const fresh = (item, side) => {
  const last = remembered(`unit/${item.id}`);
  const known = names(item).some(([unit]) => unit === last);
  return { item: item.id, ...(side ? { side } : {}), value: setUnit({ value: "", unit: item.unit }, known ? last : item.unit) };
};

/** Digits as a person types them: a comma is a point, needless zeros in front go, spaces go. */
export const typed = (text) => text.trim().replace(",", ".").replace(/^(-?)0+(?=\d)/, "$1");

const place = (doc, item, entry, words, items) =>
  commit(doc, words ? is(named(item, entry.side), words) : named(item, entry.side), () => placeEntry(doc, entry, app.catalogue), {
    same: `${item.id}.${entry.side ?? ""}`, items: items ?? [item.id],
  });

const names = (item) => {
  const unit = app.catalogue.units.get(item.unit);
  const all = item.units.map((ucum) => [ucum, unitShown(ucum, app.catalogue).trim() || app.catalogue.units.get(ucum).label]);
  const pound = "[lb_av]";
  return unit?.dimension === "mass" && item.units.includes(pound) ? [...all, ["lb+oz", "lb + oz"]] : all;
};

/** Whether no digit more could follow: of a counted number, in the item's own unit, one more is beyond what is possible.
 * Where a decimal may follow a number is never known to be whole. */
const isFull = (item, { value }) => {
  const most = Number(item.limits?.[1] ?? Infinity);
  const typed_ = Number(value.value);
  return item.whole_numbers && value.unit === item.unit && !value.plus && /^\d+$/.test(value.value) && typed_ <= most && typed_ * 10 > most;
};

let ledTo = null;

const fieldAfter = (from) => {
  const all = [...document.querySelectorAll("main input.number")].filter((field) => field.checkVisibility());
  return all[all.indexOf(from) + 1] ?? null;
};

/** On to the next number of the page from a box that is full now; what was typed elsewhere than at its end stays. */
export const leadOn = ({ target, inputType }) => {
  if (inputType !== "insertText" || target.selectionStart !== target.value.length) return;
  ledTo = fieldAfter(target);
  ledTo?.focus();
};

/** In a box that was reached by itself and is empty still: an Enter meant for the one before, or its key held down. */
const meantForBefore = ({ target, key, repeat }) => target === ledTo && target.value === "" && (key === "Enter" || repeat);

/** Enter: to the next number of the page; after the last, on, unless what was typed wants to be looked at first. */
const onward = (doc, item, entry, from) => {
  const next = fieldAfter(from);
  if (next) return next.focus();
  const { gaps, problems, record } = derived(doc);
  const here = pagesOf(doc)[doc.page].asked;
  const open = gaps.some((gap) => here.some((one) => one.id === gap.item));
  const odd = problems.some((one) => record.findings[one.index]?.item === item.id) || judge(entry, item, record, app.catalogue)?.meaning === "abnormal";
  return open || odd || doc.drafts.length ? document.querySelector("#ways .left button")?.focus() : afterRest(doc);
};

const input = (doc, item, entry, part, label, after) =>
  h("input.number", {
    type: "text", inputmode: "decimal", autocomplete: "off", enterkeyhint: "next", maxlength: "12",
    value: part.value, "aria-label": label, "data-focus": `${item.id}.${entry.side ?? ""}.${after ?? "n"}`,
    oninput: (event) => {
      part.value = typed(event.target.value);
      place(doc, item, entry, "");
      if (isFull(item, entry)) leadOn(event);
    },
    onkeydown: (event) => {
      if (meantForBefore(event)) {
        ledTo = event.key === "Enter" ? null : ledTo;
        return event.preventDefault();
      }
      if (event.key !== "Enter") return;
      event.preventDefault();
      onward(doc, item, entry, event.target);
    },
    onblur: (event) => setTimeout(() => {
      if (event.target.isConnected && !document.activeElement?.closest?.(`#card-${CSS.escape(item.id)}`)) app.refresh([item.id], "");
    }, 250),
  });

const unitPicker = (doc, item, entry, label) => {
  const entries = names(item);
  if (entries.length < 2) return h("span.unit", {}, unitShown(item.unit, app.catalogue));
  const value = entry.value.plus ? "lb+oz" : entry.value.unit;
  return choice(entries, value, (picked) => {
    setUnit(entry.value, picked);
    remember(`unit/${item.id}`, picked);
    place(doc, item, entry, said("unit"));
    app.refresh([item.id], "");
  }, { "aria-label": said("unit_of", { what: label }), "data-focus": `${item.id}.${entry.side ?? ""}.unit` });
};

const bandsOf = (doc, item, entry) => {
  const { record } = derived(doc);
  // The first band that holds decides: those that the ones before leave nothing to are not shown.
  const { bands } = deciding(applicable(entry, item, record, app.catalogue));
  return bands.map((band) => {
    const meaning = band.urgency === "none" ? meaningSaid(band.meaning) : app.catalogue.tellWords[band.urgency].words;
    return said("number.range", { range: spanWords(band, app.catalogue), meaning });
  });
};

const live = (doc, item, entry, n) => {
  const { value } = entry;
  const whole = isWholeEntry(entry);
  const other = whole && (value.plus || value.unit !== item.unit);
  const { pool, record } = derived(doc);
  const one = whole ? pool[doc.record.findings.indexOf(entry)] : null;
  const byLine = one && pool.find((made) => made.item.id === LINE && made.from[0] === one.index);
  const judged = one?.judged ?? null;
  const bands = item.ranges.length ? bandsOf(doc, item, entry) : [];
  const unit = unitShown(item.unit, app.catalogue);
  const half = !whole && (value.value !== "" || value.plus?.value);
  return h("div.live", { "data-live": `${item.id}.${entry.side ?? ""}.${n}` },
    other ? h("p.converted", {}, said("number.converted", { amount: `${digitsSaid(app.catalogue, amount(value, item, app.catalogue))}${unit}` })) : null,
    whole && !judged ? h("p.judged", {}, said("number.not_judged", { reason: (one && whyNot(one, record, app.catalogue)) ?? said("number.see_list") })) : null,
    byLine ? h(`p.judged.${byLine.judged.meaning}`, {}, byLine.finding.text) : null,
    judged && !byLine ? h(`p.judged.${judged.meaning}`, {}, listed(app.catalogue, [markedMeaning(judged.meaning), judged.urgency !== "none" && app.catalogue.tellWords[judged.urgency].words])) : null,
    half ? h("p.problem.error", {}, said("number.not_whole")) : null,
    entry.counted_seconds ? h("p.counted", {}, said(Number(entry.counted_seconds) < Number(item.count_seconds) ? "number.counted_short" : "number.counted", { seconds: digitsSaid(app.catalogue, entry.counted_seconds) })) : null,
    bands.length ? h("p.range", {}, said(unit ? "number.ranges_in" : "number.ranges", { unit: unit.trim(), ranges: bands.join(" · ") })) : item.ranges.length ? h("p.range", {}, said("number.no_range")) : null);
};

const picks = (doc, item, entry, side) => {
  const [, , low, high] = item.limits ?? [];
  if (!item.whole_numbers || item.units.length > 1 || Number(high) - Number(low) > 7) return null;
  const numbers = Array.from({ length: Number(high) - Number(low) + 1 }, (_, n) => String(Number(low) + n));
  return h("div.picks", { role: "group", "aria-label": named(item, side) }, numbers.map((digits) =>
    h("button.pick", {
      type: "button", "aria-pressed": String(entry.value.value === digits), "data-focus": `${item.id}.${side ?? ""}.pick${digits}`,
      "aria-label": ofSide(side, digits),
      onclick: () => {
        entry.value.value = entry.value.value === digits ? "" : digits;
        place(doc, item, entry, digits);
      },
    }, digits)));
};

const chips = (doc, item, entry, key, ids, labels, words) =>
  h("div.chips", { role: "group", "aria-label": named(item, null, words) }, ids.map((id) =>
    h("button.chip", {
      type: "button", "aria-pressed": String(entry[key] === id), "data-focus": `${item.id}.${key}.${id}`,
      onclick: () => {
        if (entry[key] === id) delete entry[key];
        else entry[key] = id;
        place(doc, item, entry, labels(id));
      },
    }, labels(id))));

const timers = (doc, item, entry) => {
  const use = (value, more) => {
    entry.value = { value, unit: item.unit };
    Object.assign(entry, more);
    place(doc, item, entry, digitsSaid(app.catalogue, value));
    app.refresh([item.id], is(item.label, digitsSaid(app.catalogue, value)));
  };
  if (item.count_seconds)
    return button(said("number.count"), () => countSheet(item, (rate, seconds) => use(rate, { counted_seconds: seconds, observed_at: now() })), { "data-focus": `${item.id}.count` });
  if (item.unit === "s") return button(said("number.stopwatch"), () => refillSheet(item, (seconds) => use(seconds, {})), { "data-focus": `${item.id}.watch` });
  return null;
};

const entryFields = (doc, item, side, entry, n) => {
  const label = named(item, side, n ? String(n + 1) : "");
  const { states, sites } = app.catalogue;
  const mixed = entry.value.plus;
  return h("div.entry", { id: freshId() },
    side && h("p.sidename", {}, sideSaid(side)),
    picks(doc, item, entry, side),
    h("div.numbers", {},
      input(doc, item, entry, entry.value, mixed ? said("number.pounds", { what: label }) : label),
      mixed && [h("span.unit", {}, "lb"), input(doc, item, entry, mixed, said("number.ounces", { what: label }), "oz")],
      unitPicker(doc, item, entry, label), n === 0 ? timers(doc, item, entry) : null),
    item.site_required ? chips(doc, item, entry, "site", item.sites, (id) => sites[id].label, said("place")) : null,
    item.states ? h("label.state", {}, said("state"), " ", choice([["", "–"], ...Object.entries(states)], entry.state, (id) => {
      if (id) entry.state = id;
      else delete entry.state;
      place(doc, item, entry, said("detail.step_state"));
    }, { "data-focus": `${item.id}.state.${n}` })) : null,
    live(doc, item, entry, n));
};

/** The entries of an item on a side, with an empty one where there is none. */
export const numberEntries = (doc, item, side) => {
  const held = entriesOf(doc, item, side);
  const entries = held.length ? held : [fresh(item, side)];
  const more = held.length && held.every(isWholeEntry) && item.minutes_after_birth === undefined && !item.sides.startsWith("each");
  return h("div.measured", {},
    entries.map((entry, n) => entryFields(doc, item, side, entry, n)),
    more ? button(said("further"), () => {
      const entry = fresh(item, side);
      entry.observed_at = now();
      place(doc, item, entry, said("further"));
      app.refresh([item.id], "");
    }, { "aria-label": said("further_of", { item: item.label }) }, "button.small") : null);
};
