// What a newborn is called where several may be meant: the name, and which of how many it is.
import { h } from "./dom.mjs";
import { listed } from "./say.mjs";
import { said } from "./said.mjs";
import { app } from "./state.mjs";

/** `1 of 2`, or nothing for a single birth. */
export const orderWords = ({ birth_order: one }) => {
  if (!one) return "";
  return one.of ? said("frame.order", one) : said("frame.order_of_several", one);
};

/** `Baby 1 of 2`, or nothing. */
export const babyWords = (newborn) => {
  const order = orderWords(newborn);
  return order && said("frame.baby", { order });
};

/** The same as a badge. */
export const babyBadge = (newborn) => babyWords(newborn) && h("span.badge", {}, babyWords(newborn));

/** The baby's name, or that none was given. */
export const nameOf = (doc) => doc.record.newborn.name || said("frame.no_name");

/** The same with which of how many it is. */
export const wholeName = (doc) => listed(app.catalogue, [nameOf(doc), orderWords(doc.record.newborn)]);
