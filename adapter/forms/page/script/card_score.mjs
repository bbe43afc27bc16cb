// A scored instrument: the answer of each sign, the total by itself; or the total alone, as read from a sheet.
import { button, choice, field, h } from "./dom.mjs";
import { app, commit, derived } from "./state.mjs";
import { entriesOf, placeEntry } from "./entry.mjs";
import { typicalSex } from "./completeness.mjs";
import { missingSigns, scoreTotal } from "./scores.mjs";
import { is, meaningSaid, said } from "./said.mjs";
import { listed } from "./say.mjs";
import { judge } from "./judgement.mjs";

const opened = new Set();

const place = (doc, item, entry) => {
  commit(doc, item.label, () => placeEntry(doc, entry, app.catalogue), { same: item.id, items: [item.id] });
};

const sign = (doc, item, entry, one) =>
  field(one.label, choice(
    [["", "–"], ...one.answers.map(([id, label, points]) => [id, said("score.sign", { answer: label, points })])],
    entry.value.signs[one.id],
    (id) => {
      if (id) entry.value.signs[one.id] = id;
      else delete entry.value.signs[one.id];
      place(doc, item, entry);
    },
    { "data-focus": `${item.id}.${one.id}` },
  ));

const totals = (doc, item, entry) => {
  const [low, high] = (item.limits ?? ["0", "10"]).map(Number);
  const numbers = Array.from({ length: high - low + 1 }, (_, n) => low + n);
  const put = (total) => {
    if (total === null) delete entry.value.total;
    else entry.value.total = total;
    place(doc, item, entry);
  };
  if (numbers.length > 12)
    return field(said("score.total_read"), choice([["", "–"], ...numbers.map((n) => [String(n), String(n)])], String(entry.value.total ?? ""), (v) => put(v === null ? null : Number(v))));
  return h("div.picks", { role: "group", "aria-label": said("score.total_of", { item: item.label }) }, h("span.unit", {}, said("score.total")), numbers.map((n) =>
    h("button.pick", { type: "button", "aria-pressed": String(entry.value.total === n), "data-focus": `${item.id}.total${n}`, onclick: () => put(entry.value.total === n ? null : n) }, String(n))));
};

const totalSaid = (total) => said("score.total_is", { total });

/** The score. */
export const scoreEntry = (doc, item) => {
  const entry = entriesOf(doc, item, null)[0] ?? { item: item.id, value: { signs: {} } };
  entry.value.signs ??= {};
  const sex = typicalSex(doc.record);
  const signs = item.signs.filter((one) => !one.sex || !sex || one.sex === sex);
  const given = Object.keys(entry.value.signs).length;
  const total = given || entry.value.total !== undefined ? scoreTotal(entry.value, item) : null;
  const judged = total === null ? null : judge(entry, item, derived(doc).record, app.catalogue);
  const open = opened.has(item.id) || given > 0;
  return h("div.score", {},
    totals(doc, item, entry),
    signs.length ? button(open ? said("score.signs") : said("score.by_sign", { number: signs.length }), () => {
      if (!opened.delete(item.id)) opened.add(item.id);
      app.refresh([item.id], "");
    }, { "aria-expanded": String(open), "data-focus": `${item.id}.signs` }, "button.small") : null,
    open ? h("div.signs", {}, signs.map((one) => sign(doc, item, entry, one))) : null,
    h("div.live", { "data-live": `${item.id}.score` },
      total !== null ? h("p.judged", {}, judged ? is(totalSaid(total), meaningSaid(judged.meaning)) : totalSaid(total)) : null,
      given && total === null ? h("p.problem.warning", {}, said("score.no_total", { missing: listed(app.catalogue, missingSigns(entry.value, item, app.catalogue)) })) : null));
};
