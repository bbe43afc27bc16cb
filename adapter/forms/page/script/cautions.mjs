// The usual cautions, the same wherever they stand.
import { h } from "./dom.mjs";
import { app } from "./state.mjs";

const LINES = [
  "For licensed persons. Not a diagnosis, and no medical device decides by it.",
  "Not examined and not recorded are never normal.",
  "A value inside a range may still be wrong for this infant; the ranges are for term infants and do not apply under 34 weeks.",
  "Colour and jaundice judged by eye are unreliable on dark skin: measure.",
  "A screen that was passed does not exclude disease.",
  "Ranges, urgencies and rules are defaults with their sources; some rest on common practice or memory and must be signed by a clinician. Local policy decides.",
];

export const caution = () =>
  h("section.cautions", {}, h("h3", {}, "Cautions"), h("ul", {}, LINES.map((line) => h("li", {}, line))),
    h("p", {}, `Policy in force: ${app.catalogue.policy.name}, ${app.catalogue.policy.date}. Catalogue ${app.catalogue.version}.`));
