// Back of the browser or by a swipe: closes a window over the page, then leads from any view to the exam's page, and
// asks before the exam is left. One entry of the history stands for "in an exam"; it is put there by a tap or a key,
// since browsers pass over entries that nobody's hand made.
import { bdi, button, h, sheet } from "./dom.mjs";
import { app, current, go, placeOf } from "./state.mjs";
import { nameOf } from "./called.mjs";
import { said, saidWith } from "./said.mjs";

const inside = () => Boolean(app.store) && app.view !== "start";
const guarded = () => Boolean(history.state?.inside);

/** See to it that Back finds an entry to take, as long as an exam is open. */
export const guard = () => {
  if (inside() && !guarded() && (navigator.userActivation?.isActive ?? true)) history.pushState({ inside: true }, "");
};

const ask = (doc) =>
  sheet(said("back.title"), (close) =>
    h("div", {},
      h("p", {}, saidWith(doc.saved ? "back.saved" : "back.not_saved", { name: bdi(nameOf(doc)) })),
      h("div.row", {},
        button(said("back.stay"), close, {}, "button.main"),
        button(said("all_exams"), () => {
          close();
          go("start");
        }))), { onclose: guard });

const back = () => {
  if (guarded() || !inside()) return;
  const sheetOpen = document.querySelector("dialog[open]");
  const home = placeOf(current());
  if (sheetOpen) sheetOpen.close();
  else if (app.view === home) ask(current());
  else go(home);
};

/** Listen to Back; and ask before the page itself is left where Back would not be heard, or something is not kept. */
export const startBack = () => {
  addEventListener("popstate", back);
  for (const hand of ["pointerup", "keyup"]) addEventListener(hand, guard, true);
  addEventListener("beforeunload", (event) => {
    const lost = app.docs.some((doc) => app.kept[doc.key] === "lost" && !doc.saved);
    if (lost || (inside() && !guarded())) event.preventDefault();
  });
};
