// What the page says in its own sentences, those under `page.` in the word list, and what all of its views say alike.
import { clauses, inline, listed, momentSaid, pieces, say } from "./say.mjs";
import { app } from "./state.mjs";
import { whereInWords } from "./words.mjs";

/** The sentence of a key, with its parts as text. */
export const said = (key, parts) => say(app.catalogue, `page.${key}`, parts);

/** The same for `h`, where parts are elements. */
export const saidWith = (key, parts) => pieces(app.catalogue, `page.${key}`, parts);

/** A sentence of the whole list. */
export const saidOf = (key, parts) => say(app.catalogue, key, parts);

/** A thing and what is said of it: `Femoral pulse: weak`. */
export const is = (what, value) => say(app.catalogue, "is", { what, value });

/** What is looked at, with its side: `Femoral pulse, left`. */
export const named = (item, side = null, ...more) => listed(app.catalogue, [whereInWords(item, { side }, app.catalogue), ...more]);

/** Left or right, within a sentence. */
export const sideSaid = (side) => inline(app.catalogue, "sides", side);

/** What is said of a side, or of none: `left: weak`. */
export const ofSide = (side, words) => (side ? is(sideSaid(side), words) : words);

/** What a finding means, within a sentence. */
export const meaningSaid = (meaning) => inline(app.catalogue, "meanings", meaning);

/** The same with the sign of what is abnormal before it. */
export const markedMeaning = (meaning) =>
  meaning === "abnormal" ? said("judged_abnormal", { words: meaningSaid(meaning) }) : meaningSaid(meaning);

/** A point in time, ISO 8601, for people. */
export const moment = (text) => momentSaid(app.catalogue, text);

/** A heading with how many there are of it. */
export const counted = (title, some) => say(app.catalogue, "tell.with_count", { title, number: some.length });

/** Statements one after another, those that say something. */
export const together = (...parts) => clauses(app.catalogue, parts);
