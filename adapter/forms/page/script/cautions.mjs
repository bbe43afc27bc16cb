// The usual cautions, the same wherever they stand.
import { h } from "./dom.mjs";
import { said } from "./said.mjs";
import { app } from "./state.mjs";

const LINES = ["licensed", "normal", "range", "colour", "screen", "sources"];

export const caution = () => {
  const { policy, version, words } = app.catalogue;
  return h("section.cautions", {}, h("h3", {}, said("cautions")), h("ul", {}, LINES.map((line) => h("li", {}, said(`caution_${line}`)))),
    h("p", {}, said("policy", { policy: policy.name, date: policy.date, version })),
    words.remark ? h("p", {}, words.remark) : null);
};
