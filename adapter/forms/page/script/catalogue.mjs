// The catalogue as the page was built with it: what can be examined, how it is answered, what each answer means.

const MEANINGS = { e: "expected", v: "variant", a: "abnormal" };
/** How soon to tell, from the least to the most urgent. */
export const URGENCIES = ["none", "tell", "tell-soon", "tell-now"];

const unshared = (raw, shared) =>
  Object.fromEntries(Object.entries(raw).map(([key, value]) => [key, SHARED.includes(key) && typeof value === "number" ? shared[value] : value]));

const SHARED = ["sites", "signs", "units", "methods", "how", "caution", "ranges"];

/** A rule's condition as steps in postfix (adapter/derive/compiled.py), from the place where it stands once. */
export const writtenOut = (place, shared) => {
  const [op, needed, parts] = shared[place];
  if (op !== "some") return [shared[place]];
  return [...parts.flatMap((part) => writtenOut(part, shared)), ["some", needed, parts.length]];
};

const item = (raw) => ({
  ...raw,
  sides: raw.sides ?? "none",
  ...Object.fromEntries(
    ["sites", "methods", "signs", "components", "units", "tell_when_not_examined"].map((key) => [key, raw[key] ?? []]),
  ),
  answers: (raw.answers ?? []).map(([id, label, meaning, urgency = 0]) => ({
    id, label, meaning: MEANINGS[meaning], urgency: URGENCIES[urgency], exclusive: (raw.exclusive ?? []).includes(id),
  })),
  ranges: (raw.ranges ?? []).map(([component, low, high, meaning, flag, urgency, source, tests]) => ({
    component, low, high, meaning, flag, urgency, source, tests,
  })),
});

/** The page's data: JSON, as gzip in base64. */
export const unpacked = (text) => {
  const bytes = Uint8Array.from(atob(text), (character) => character.charCodeAt(0));
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).json();
};

/** The typed catalogue of the page's data (adapter/forms/page/data.py). */
export const readCatalogue = (data) => {
  const units = new Map(data.units.map((unit) => [unit.ucum, unit]));
  const spellings = new Map();
  for (const unit of data.units)
    for (const text of [unit.ucum, ...(unit.spellings ?? [])]) spellings.set(text, unit);
  const ids = (places) => places.map((n) => data.items[n].id);
  return {
    ...data,
    kinds: Object.fromEntries(Object.entries(data.kinds).map(([id, kind]) => [id, { ...kind, expected: ids(kind.expected) }])),
    stages: data.stages.map((stage) => ({ ...stage, pages: stage.pages.map(([label, places]) => [label, ids(places)]) })),
    items: new Map(data.items.map((raw, position) => [raw.id, { position, ...item(unshared(raw, data.shared ?? [])) }])),
    units,
    spellings,
    rules: (data.rules ?? []).map((rule) => ({ replaces: [], ...rule, steps: writtenOut(rule.steps, data.steps) })),
    notJudged: data.not_judged ?? [],
    judgedElsewhere: new Set([
      data.screening.readings, ...(data.estimates ?? []).flatMap((table) => [table.score, table.item]),
      ...data.items.filter((raw) => raw.computed && raw.ranges === undefined).map((raw) => raw.id),
    ]),
    tellWords: Object.fromEntries(data.urgencies.map(([words, title, heading], rank) => [URGENCIES[rank], { words, title, heading }])),
    reasons: Object.fromEntries(
      Object.entries(data.reasons).map(([id, [label, urgency]]) => [id, { label, urgency: URGENCIES[urgency] }]),
    ),
    sites: Object.fromEntries(
      Object.entries(data.sites).map(([id, [label, side]]) => [id, { label, side: side ?? null }]),
    ),
    estimates: data.estimates ?? [],
    unlikely: data.unlikely ?? [],
    identifier_systems: data.identifier_systems ?? {},
  };
};

/** The answer of an item with this id, or undefined. */
export const answerOf = (item_, id) => item_.answers.find((answer) => answer.id === id);

/** The one expected answer of a choice; null where there is none, or several. */
export const expectedOf = (item_) => {
  const expected = item_.answers.filter((answer) => answer.meaning === "expected");
  return (item_.type === "choice" || item_.type === "choices") && expected.length === 1 ? expected[0] : null;
};

/** A finding's site, its own or the item's usual one. */
export const siteOf = (finding, item_) => finding.site ?? item_.body_site ?? null;

/** The side of a finding: its own, else the one its site has by name. */
export const sideOf = (finding, catalogue) =>
  finding.side ?? (finding.site ? (catalogue.sites[finding.site]?.side ?? null) : null);

/** What kind of value a finding holds: answer, quantity, quantities, score, time; null for none. */
export const kindOf = (value) => {
  if (value === undefined || value === null) return null;
  if (typeof value === "string") return "answer";
  if ("components" in value) return "quantities";
  if ("signs" in value || "total" in value) return "score";
  return "time" in value ? "time" : "quantity";
};
