// Saying loudly whether what was tapped is kept on this device.
import { h } from "./dom.mjs";
import { app, current } from "./state.mjs";
import { said } from "./said.mjs";

/** What the store says after a write; the newest word stands in the bar. */
export const storeSaid = ({ kept, half, key, rev }) => {
  app.kept[key] = kept ? (half ? "half" : "kept") : "lost";
  app.keptRev = { ...app.keptRev, [key]: rev };
  showKeeping();
};

const wordsOf = (state) => {
  if (state === undefined) return "";
  if (state === false) return said("keeping.working");
  return said(`keeping.${state === "kept" && !app.store?.lasting ? "now" : state}`);
};

/** The line that says so. */
export const keepingLine = () => {
  const state = app.kept[current()?.key];
  const name = `p.keeping.${state || "open"}`;
  return h(name, { id: "keeping", role: state === "lost" ? "alert" : "status", "data-rev": app.keptRev?.[current()?.key] ?? "" }, wordsOf(state));
};

export const showKeeping = () => document.getElementById("keeping")?.replaceWith(keepingLine());
