// The page begins: the catalogue is read, what this device keeps is opened, the first view is shown.
import { readCatalogue, unpacked } from "./catalogue.mjs";
import { askToLast, openHere, openStore } from "./store.mjs";
import { app, placeOf } from "./state.mjs";
import { leadTo } from "./lead.mjs";
import { known } from "./start.mjs";
import { startShell } from "./shell.mjs";
import { showKeeping, storeSaid } from "./keeping.mjs";
import { holdWindow } from "./window.mjs";
import { startFollowing } from "./handed.mjs";
import { startOffline } from "./offline.mjs";
import { lookAtWard } from "./ward.mjs";

const begin = async () => {
  app.catalogue = readCatalogue(await unpacked(document.getElementById("catalogue").textContent));
  startShell();
  if (!(await holdWindow())) return;
  app.store = await openStore(storeSaid);
  app.docs = app.store.docs.sort((a, b) => (a.made < b.made ? 1 : -1));
  const place = openHere();
  const doc = app.docs.find((one) => one.key === place?.key);
  if (doc && known(doc)) {
    app.key = doc.key;
    app.view = placeOf(doc) === "page" ? place.view : placeOf(doc);
    doc.page = place.page;
  }
  app.render();
  if (app.view === "page" && place.at) leadTo(doc, place.at);
  askToLast(app.store, showKeeping);
  startOffline();
  startFollowing();
  lookAtWard();
};

// Hides what stands in the file for a browser that cannot run this, and shows it again where the first view was not reached.
document.documentElement.dataset.runs = "";
begin().catch((error) => {
  delete document.documentElement.dataset.runs;
  throw error;
});
