// What is said to people: the sentences of the word list, which comes with the catalogue; as adapter/catalogue/words.py.

/** A number in text for people: digits as they are, with the language's decimal sign. */
export const digitsSaid = (catalogue, digits) => String(digits).replace(".", catalogue.words.decimal);

/** The sentence of a key in pieces: its words, and between them its parts; `count` chooses between `one` and `other`. */
export const pieces = (catalogue, key, parts = {}) => {
  const { sentences, ones } = catalogue.words;
  const found = sentences[key];
  const form = typeof found === "string" ? found : found[ones.includes(parts.count) ? "one" : "other"];
  return form.split(/\{(\w+)\}/).map((text, n) => (n % 2 ? parts[text] : text));
};

/** The sentence of a key with its parts, which are text. */
export const say = (catalogue, key, parts) => pieces(catalogue, key, parts).join("");

/** Those that say something, one after another: `left, heel`. */
export const listed = (catalogue, parts) => parts.filter(Boolean).join(say(catalogue, "list"));

/** Statements one after another: `abnormal; measure again`. */
export const clauses = (catalogue, parts) => parts.filter(Boolean).join(say(catalogue, "clauses"));

/** How something of a list is called within a sentence. */
export const inline = (catalogue, list, id, label = id) => catalogue.words.within[list]?.[id] ?? label;

const timeSaid = (form, text) => {
  const found = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d)(?::[\d.]+)?(Z|[+-]\d\d:\d\d)$/.exec(text ?? "");
  if (!found) return text ?? "";
  const [, year, month, day, hour, minute, zone] = found;
  const parts = { year, month, day, hour, minute, offset: zone === "Z" ? "+00:00" : zone };
  return form.replace(/\{(\w+)\}/g, (_, name) => parts[name]);
};

/** A time that was found, to the minute. */
export const foundAt = (catalogue, text) => timeSaid(catalogue.words.found_at, text);

/** Any other time, to the minute. */
export const momentSaid = (catalogue, text) => timeSaid(catalogue.words.moment, text);
