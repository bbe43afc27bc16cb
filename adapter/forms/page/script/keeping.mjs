// Saying loudly whether what was tapped is kept on this device.
import { h } from "./dom.mjs";
import { app, current } from "./state.mjs";

/** What the store says after a write; the newest word stands in the bar. */
export const storeSaid = ({ kept, half, key, rev }) => {
  app.kept[key] = kept ? (half ? "half" : "kept") : "lost";
  app.keptRev = { ...app.keptRev, [key]: rev };
  showKeeping();
};

const WORDS = {
  kept: "Kept on this device",
  now: "Kept for now: a private window, or a browser that clears up, loses it. Save a file before you close it",
  half: "Kept, in one place only: save a file soon",
  lost: "Not kept: this browser is full or keeps nothing. Save a file before you close it",
};

/** The line that says so. */
export const keepingLine = () => {
  const state = app.kept[current()?.key];
  const words = state === undefined ? "" : state === false ? "Keeping …" : WORDS[state === "kept" && !app.store?.lasting ? "now" : state];
  const name = `p.keeping.${state || "open"}`;
  return h(name, { id: "keeping", role: state === "lost" ? "alert" : "status", "data-rev": app.keptRev?.[current()?.key] ?? "" }, words);
};

export const showKeeping = () => document.getElementById("keeping")?.replaceWith(keepingLine());
