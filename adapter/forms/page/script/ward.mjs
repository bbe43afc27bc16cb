// The newborns that the hospital's server has, to begin an exam from. The list is kept in this window alone.
import { bdi, button, choice, field, h, sheet } from "./dom.mjs";
import { fixed } from "./exact.mjs";
import { hoursBetween, instant, now } from "./moments.mjs";
import { babyBadge, babyWords } from "./called.mjs";
import { listed } from "./say.mjs";
import { moment, said, saidOf, saidWith, together } from "./said.mjs";
import { freshDoc } from "./record.mjs";
import { app } from "./state.mjs";

const KEPT = "newborn-exam-page/ward";
let list = null;
let away = false;

const plain = (text) => (text ?? "").normalize("NFC").toLowerCase().replace(/[\s-]/g, "");
const numbersOf = (newborn) => (newborn?.identifiers ?? []).map((one) => plain(one.value));
const same = (a, b) => numbersOf(a).some((number) => number && numbersOf(b).includes(number));
const sibling = (a, b) => a !== b && a.mother && b.mother && same(a.mother, b.mother);

const nameOf = (newborn) => newborn.name || said("ward.no_name");
const called = (newborn) => listed(app.catalogue, [nameOf(newborn), babyWords(newborn)]);
const label = (kind) => app.catalogue.kinds[kind]?.label ?? kind;

/** The kinds of exam that fall into the newborn's age now and are not on the server. */
const due = ({ newborn, exams }) => {
  if (instant(newborn.birth_time) === null) return [];
  const hours = Number(fixed(hoursBetween(instant(newborn.birth_time), instant(now())), 2));
  return Object.entries(app.catalogue.kinds).flatMap(([id, { age }]) =>
    age && hours >= Number(age[0] || 0) && (age[1] === "" || hours <= Number(age[1])) && !exams.some((one) => one.kind === id) ? [id] : []);
};

/** Whether an exam's newborn came from the list, as a badge; nothing where there is no list. */
export const listMark = (doc) => {
  if (!app.catalogue.ward || doc.listed?.who.every((number) => numbersOf(doc.record.newborn).includes(number))) return null;
  if (doc.listed) return h("span.badge", {}, said("ward.changed"));
  const known = (list?.newborns ?? []).some(({ newborn }) => same(newborn, doc.record.newborn));
  return h("span.badge", {}, said(known ? "ward.typed_in" : "ward.not_listed"));
};

/** What the list said of the newborn, for who examines; nothing of it is in the record as a finding. */
export const contextLine = (doc) =>
  doc.listed
    ? h("p.hint", {}, said("ward.from_list", { at: moment(doc.listed.time), read: doc.listed.confirmed }), " ",
        doc.listed.birth_weight ? said("ward.birth_weight", { weight: doc.listed.birth_weight }) : "")
    : null;

const begin = (one, confirmed, add, open) => {
  const { newborn, encounter } = one;
  const asked = due(one);
  const doc = freshDoc({ ...(encounter ? { encounter } : {}), ...(asked.length === 1 ? { kind: asked[0] } : {}) }, structuredClone(newborn));
  doc.listed = { time: list.time, confirmed, birth_weight: one.birth_weight, who: numbersOf(newborn) };
  const twin = app.docs.find((other) => !other.saved && !other.twin && sibling(other.record.newborn, newborn) && !same(other.record.newborn, newborn));
  add(doc);
  if (twin) {
    doc.twin = twin.key;
    twin.twin = doc.key;
    app.store.keep(twin);
  }
  open(doc);
};

/** What is wrong with the number read from a band, or null: another's is told by name. */
const wrongNumber = (newborn, read) => {
  if (!read) return said("ward.read_number");
  if (numbersOf(newborn).includes(read)) return null;
  const other = list.newborns.find((one) => numbersOf(one.newborn).includes(read))?.newborn;
  if (other) return said("ward.of_other", { name: called(other) });
  const mother = numbersOf(newborn.mother).includes(read);
  return said(mother ? "ward.of_mother" : "ward.of_nobody");
};

const confirm = (one, add, open) =>
  sheet(said("ward.confirm", { name: called(one.newborn) }), (close) => {
    const { newborn } = one;
    const born = (newborn.birth_time ?? "").slice(0, 10) || one.birth_date;
    const seconds = {
      ...(born ? { birth: [born] } : {}),
      ...(newborn.name ? { name: [plain(newborn.name)] } : {}),
      ...(newborn.mother ? { mothers: numbersOf(newborn.mother) } : {}),
    };
    let kind = Object.keys(seconds)[0];
    const first = h("input", { type: "text", autocomplete: "off", spellcheck: "false" });
    const place = h("div", {});
    const status = h("div", { role: "alert" });
    let second = null;
    const ask = () => {
      second = h("input", { type: kind === "birth" ? "date" : "text", autocomplete: "off", spellcheck: "false" });
      second.addEventListener("keydown", (event) => event.key === "Enter" && go());
      place.replaceChildren(field(said("ward.from_band", { what: said(`ward.${kind}`) }), second));
    };
    const go = () => {
      const wrong = wrongNumber(newborn, plain(first.value));
      const agrees = kind === "birth" ? second.value === born : seconds[kind].includes(plain(second.value));
      const words = wrong ?? (agrees ? null : said("ward.disagrees", { what: said(`ward.${kind}`) }));
      status.replaceChildren(words ? h("p.problem.error", {}, words) : "");
      if (words) return (wrong ? first : second).focus();
      close();
      return begin(one, said(`ward.read_${kind}`), add, open);
    };
    first.addEventListener("keydown", (event) => event.key === "Enter" && second.focus());
    if (kind) ask();
    return h("div", {},
      h("p", {}, said("ward.read_two")),
      field(said("ward.band_number"), first),
      kind ? field(said("ward.and"), choice(Object.keys(seconds).map((id) => [id, said(`ward.${id}`)]), kind, (value) => {
        kind = value;
        ask();
      })) : h("p.problem.error", {}, said("ward.nothing_second")),
      place, status,
      h("div.row", {}, kind ? button(said("ward.agrees"), go, {}, "button.main") : null, button(said("ward.not_this"), close)));
  });

const madeWords = (made) => saidOf("beside", { words: label(made.kind), of: moment(made.started) });

const entry = (one, add, open) => {
  const { newborn, exams } = one;
  const here = app.docs.filter((doc) => same(doc.record.newborn, newborn)).length;
  const asked = due(one).map(label);
  const twins = list.newborns.filter((other) => sibling(other.newborn, newborn)).map((other) => called(other.newborn));
  return h("li", {},
    h("button.exam", { type: "button", onclick: () => confirm(one, add, open) },
      h("strong", {}, bdi(nameOf(newborn))), babyBadge(newborn),
      h("span.line", {}, newborn.identifiers.map((id) => [`${id.system} `, bdi(id.value), " "]), said("ward.sex_born", { sex: newborn.sex ? saidOf(`sex.${newborn.sex}`) : "", at: newborn.birth_time ? moment(newborn.birth_time) : said("ward.born_date", { date: one.birth_date }) })),
      newborn.mother ? h("span.line", {}, saidWith("ward.mother", { name: [bdi(newborn.mother.name ?? ""), newborn.mother.identifiers.map((id) => [" ", bdi(id.value)])] })) : null,
      twins.length ? h("span.line", {}, said("ward.mixed_up", { names: together(...twins) })) : null,
      h("span.line", {}, exams.length ? said("ward.on_server", { exams: listed(app.catalogue, exams.map(madeWords)) }) : said("ward.none_on_server")),
      asked.length || here ? h("span.line", {}, together(
        asked.length && said("ward.due", { kinds: listed(app.catalogue, asked) }), here && said("ward.here", { count: here }))) : null));
};

/** The list as a part of the first view; `add` keeps a new exam, `open` goes to it. */
export const wardPart = (add, open) => {
  if (!app.catalogue.ward) return null;
  const when = list ? [said("ward.as_of", { at: moment(list.time) }), away ? ` ${said("ward.away")}` : ""] : said(away ? "ward.none" : "ward.asking");
  const more = list?.without_number ?? 0;
  return h("section", { id: "ward", "aria-label": said("ward.label") }, h("h3", {}, said("ward.title")),
    h(away ? "p.problem" : "p.hint", {}, when, more ? ` ${said("ward.without_number", { count: more })}` : ""),
    h("ul.exams", {}, (list?.newborns ?? []).map((one) => entry(one, add, open))),
    button(said("ward.again"), () => lookAtWard(), {}, "button.small"));
};

// What this window keeps through a reload, and no longer than it is open.
const inWindow = (put = null) => {
  try {
    if (put) sessionStorage.setItem(KEPT, JSON.stringify(put));
    return JSON.parse(sessionStorage.getItem(KEPT));
  } catch {
    return put;
  }
};

/** Ask for the list; the one before stays where there is no answer. */
export const lookAtWard = async () => {
  if (!app.catalogue.ward) return;
  list ??= inWindow();
  const answer = await fetch("ward", { signal: AbortSignal.timeout(30000) }).then((one) => (one.ok ? one.json() : null), () => null);
  away = !answer;
  if (answer) {
    list = answer;
    inWindow(list);
  }
  if (app.view === "start" && !document.querySelector("dialog")) app.render();
};
