// Whose sheet it is, on every sheet of paper (CSS Paged Media Level 3, margin boxes).
import { nameOf, orderWords } from "./identity.mjs";

const quoted = (text) => `"${text.replace(/["\\\p{Cc}]/gu, (one) => `\\${one.codePointAt(0).toString(16)} `)}"`;

let rule = null;

/** The name and number of the baby in view at the head of every sheet, and which of how many it is; without one, none. */
export const nameSheets = (doc) => {
  const [sheet] = document.styleSheets;
  if (rule !== null) sheet.deleteRule(rule);
  rule = null;
  if (!doc) return;
  const numbers = doc.record.newborn.identifiers.map((one) => `${one.system} ${one.value}`).join(", ");
  const words = [nameOf(doc), orderWords(doc) && `baby ${orderWords(doc)}`, numbers, `exam ${doc.record.exam.id}`];
  const box = "font: 8pt sans-serif; vertical-align: bottom;";
  rule = sheet.insertRule(
    `@page { margin: 16mm 14mm 14mm; @top-left { ${box} content: ${quoted(words.filter(Boolean).join("; "))} }` +
      ` @bottom-right { ${box} content: "sheet " counter(page) " of " counter(pages) } }`,
    sheet.cssRules.length,
  );
};
