// Whose sheet it is, on every sheet of paper (CSS Paged Media Level 3, margin boxes; where a browser has none, a line
// that a table's head repeats).
import { nameOf, orderWords } from "./called.mjs";
import { said, saidWith, together } from "./said.mjs";

const quoted = (text) => `"${text.replace(/["\\\p{Cc}]/gu, (one) => `\\${one.codePointAt(0).toString(16)} `)}"`;

let rule = null;

/** The name and number of the baby in view at the head of every sheet, and which of how many it is; without one, none. */
export const nameSheets = (doc) => {
  const [sheet] = document.styleSheets;
  if (rule !== null) sheet.deleteRule(rule);
  rule = null;
  const page = document.getElementById("page");
  delete page.dataset.whose;
  if (!doc) return;
  const { newborn, exam } = doc.record;
  const numbers = newborn.identifiers.map((one) => `${one.system} ${one.value}`).join(", ");
  const order = orderWords(newborn);
  const words = together(nameOf(doc), order && said("frame.print_baby", { order }), numbers, said("frame.print_exam", { id: exam.id }));
  const count = saidWith("frame.print_sheet", { page: "counter(page)", pages: "counter(pages)" });
  const box = "font: 8pt sans-serif; vertical-align: bottom;";
  rule = sheet.insertRule(
    `@page { margin: 16mm 14mm 14mm; @top-left { ${box} content: ${quoted(words)} }` +
      ` @bottom-right { ${box} content: ${count.map((part, n) => (n % 2 ? part : quoted(part))).join(" ")} } }`,
    sheet.cssRules.length,
  );
  if (!sheet.cssRules[rule].cssText.includes("@top-left")) page.dataset.whose = words;
};
