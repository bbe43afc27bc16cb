// The newborns that the hospital's server has, to begin an exam from. The list is kept in this window alone.
import { bdi, button, choice, field, h, sheet } from "./dom.mjs";
import { fixed } from "./exact.mjs";
import { hoursBetween, inPeoplesWords, instant, now } from "./moments.mjs";
import { freshDoc } from "./record.mjs";
import { app } from "./state.mjs";

const KEPT = "newborn-exam-page/ward";
let list = null;
let away = false;

const plain = (text) => (text ?? "").normalize("NFC").toLowerCase().replace(/[\s-]/g, "");
const numbersOf = (newborn) => (newborn?.identifiers ?? []).map((one) => plain(one.value));
const same = (a, b) => numbersOf(a).some((number) => number && numbersOf(b).includes(number));
const sibling = (a, b) => a !== b && a.mother && b.mother && same(a.mother, b.mother);

const order = ({ birth_order: one }) => (one ? `Baby ${one.order}${one.of ? ` of ${one.of}` : " of several"}` : "");
const called = (newborn) => `${newborn.name || "No name"}${order(newborn) ? `, ${order(newborn)}` : ""}`;
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
  if (doc.listed) return h("span.badge", {}, "number changed by hand");
  const known = (list?.newborns ?? []).some(({ newborn }) => same(newborn, doc.record.newborn));
  return h("span.badge", {}, known ? "typed in" : "not on the list");
};

/** What the list said of the newborn, for who examines; nothing of it is in the record as a finding. */
export const contextLine = (doc) =>
  doc.listed
    ? h("p.hint", {}, `From the hospital's list of ${inPeoplesWords(doc.listed.time)}; band read: ${doc.listed.confirmed}.`,
        doc.listed.birth_weight ? ` Birth weight there: ${doc.listed.birth_weight} (to know, not recorded in this exam).` : "")
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
  if (!read) return "Read the number on this newborn's band.";
  if (numbersOf(newborn).includes(read)) return null;
  const other = list.newborns.find((one) => numbersOf(one.newborn).includes(read))?.newborn;
  if (other) return `This band is of another newborn: ${called(other)}. Do not go on here.`;
  const mother = numbersOf(newborn.mother).includes(read);
  return mother ? "That is the mother's number, not the newborn's." : "This number is not this newborn's. Look at band and list again.";
};

const confirm = (one, add, open) =>
  sheet(`Is this ${called(one.newborn)}?`, (close) => {
    const { newborn } = one;
    const born = (newborn.birth_time ?? "").slice(0, 10) || one.birth_date;
    const seconds = {
      ...(born ? { birth: ["Date of birth", [born]] } : {}),
      ...(newborn.name ? { name: ["Name on the band", [plain(newborn.name)]] } : {}),
      ...(newborn.mother ? { mother: ["Number of the mother", numbersOf(newborn.mother)] } : {}),
    };
    let kind = Object.keys(seconds)[0];
    const first = h("input", { type: "text", autocomplete: "off", spellcheck: "false" });
    const place = h("div", {});
    const said = h("div", { role: "alert" });
    let second = null;
    const ask = () => {
      second = h("input", { type: kind === "birth" ? "date" : "text", autocomplete: "off", spellcheck: "false" });
      second.addEventListener("keydown", (event) => event.key === "Enter" && go());
      place.replaceChildren(field(`${seconds[kind][0]}, read from the band`, second));
    };
    const go = () => {
      const wrong = wrongNumber(newborn, plain(first.value));
      const agrees = kind === "birth" ? second.value === born : seconds[kind][1].includes(plain(second.value));
      const words = wrong ?? (agrees ? null : `${seconds[kind][0]} does not agree with the list. Two must agree before an exam is begun.`);
      said.replaceChildren(words ? h("p.problem.error", {}, words) : "");
      if (words) return (wrong ? first : second).focus();
      close();
      return begin(one, `number and ${seconds[kind][0].toLowerCase()}`, add, open);
    };
    first.addEventListener("keydown", (event) => event.key === "Enter" && second.focus());
    if (kind) ask();
    return h("div", {},
      h("p", {}, "Read two things from the band on the newborn, by a scanner or by eye; not from this list."),
      field("Number on the band", first),
      kind ? field("And", choice(Object.entries(seconds).map(([id, [words]]) => [id, words]), kind, (value) => {
        kind = value;
        ask();
      })) : h("p.problem.error", {}, "The list has no second thing to compare. Type this newborn in."),
      place, said,
      h("div.row", {}, kind ? button("The band agrees", go, {}, "button.main") : null, button("Not this newborn", close)));
  });

const entry = (one, add, open) => {
  const { newborn, exams } = one;
  const here = app.docs.filter((doc) => same(doc.record.newborn, newborn)).length;
  const asked = due(one).map(label);
  const twins = list.newborns.filter((other) => sibling(other.newborn, newborn)).map((other) => called(other.newborn));
  return h("li", {},
    h("button.exam", { type: "button", onclick: () => confirm(one, add, open) },
      h("strong", {}, bdi(newborn.name || "No name")), order(newborn) && h("span.badge", {}, order(newborn)),
      h("span.line", {}, newborn.identifiers.map((id) => [`${id.system} `, bdi(id.value), " "]), `${newborn.sex ?? ""} born ${newborn.birth_time ? inPeoplesWords(newborn.birth_time) : `${one.birth_date}, time not known`}`),
      newborn.mother ? h("span.line", {}, "Mother ", bdi(newborn.mother.name ?? ""), newborn.mother.identifiers.map((id) => [" ", bdi(id.value)])) : null,
      twins.length ? h("span.line", {}, `Not to be mixed up with ${twins.join("; ")}`) : null,
      h("span.line", {}, exams.length ? `On the server: ${exams.map((made) => `${label(made.kind)} (${inPeoplesWords(made.started)})`).join(", ")}` : "No exam on the server"),
      asked.length || here ? h("span.line", {}, [asked.length ? `Due by age: ${asked.join(", ")}` : "", here ? `${here} on this device` : ""].filter(Boolean).join("; ")) : null));
};

/** The list as a part of the first view; `add` keeps a new exam, `open` goes to it. */
export const wardPart = (add, open) => {
  if (!app.catalogue.ward) return null;
  const when = list ? `As the hospital's server had it ${inPeoplesWords(list.time)}.${away ? " The server is away now: newborns may have come, left or been renamed since." : ""}`
    : away ? "The hospital's server gives no list now." : "Asking the hospital's server …";
  return h("section", { id: "ward", "aria-label": "On the ward" }, h("h3", {}, "Newborns on the hospital's list"),
    h(away ? "p.problem" : "p.hint", {}, when, list?.without_number ? ` ${list.without_number} more have no number and are not shown.` : ""),
    h("ul.exams", {}, (list?.newborns ?? []).map((one) => entry(one, add, open))),
    button("Look again", () => lookAtWard(), {}, "button.small"));
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
