// Where the page is served: it opens again without network, and a newer version of it is taken at the next start.
import { button, h } from "./dom.mjs";
import { app } from "./state.mjs";
import { remember, remembered } from "./store.mjs";
import { said } from "./said.mjs";

let registration = null;
let renewed = false;

const show = () => document.getElementById("offline")?.replaceWith(offlineLine());

/** Whether it opens without network, whether it was renewed, and whether a newer version waits: for the first view. */
export const offlineLine = () => {
  const newer = registration?.waiting ?? null;
  return h("div", { id: "offline" },
    renewed ? h("p", { role: "status" }, said("offline.renewed")) : null,
    registration?.active ? h("p.hint", {}, said("offline.opens")) : null,
    newer
      ? h("div.row", { role: "status" }, h("p", {}, said("offline.newer")),
          button(said("offline.take"), () => {
            newer.postMessage("take it now");
            if (!navigator.serviceWorker.controller) setTimeout(() => location.reload(), 500);
          }))
      : null);
};

// The first view alone says it; an exam that is open goes on with the version that it was opened with.
const watch = (worker) => worker?.addEventListener("statechange", show);

/** Ask the browser to keep the page, and look for a newer version now and whenever the page comes into sight. */
export const startOffline = async () => {
  const { build } = document.documentElement.dataset;
  renewed = Boolean(remembered("build")) && remembered("build") !== build;
  remember("build", build);
  if (!app.catalogue.served || !navigator.serviceWorker) return;
  let had = Boolean(navigator.serviceWorker.controller);
  navigator.serviceWorker.addEventListener("controllerchange", () => {
    if (had) location.reload();
    had = true;
  });
  registration = await navigator.serviceWorker.register("worker.js", { updateViaCache: "none" }).catch(() => null);
  if (!registration) return;
  watch(registration.installing);
  registration.addEventListener("updatefound", () => watch(registration.installing));
  document.addEventListener("visibilitychange", () => !document.hidden && registration.update().catch(() => {}));
  show();
};
