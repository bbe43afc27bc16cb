// The page begins: the catalogue is read, what this device keeps is opened, the first view is shown.
import { readCatalogue } from "./catalogue.mjs";
import { openStore } from "./store.mjs";
import { app } from "./state.mjs";
import { startShell } from "./shell.mjs";
import { storeSaid } from "./keeping.mjs";
import { holdWindow } from "./window.mjs";
import { startFollowing } from "./handed.mjs";
import { lookAtWard } from "./ward.mjs";

const begin = async () => {
  app.catalogue = readCatalogue(JSON.parse(document.getElementById("catalogue").textContent));
  startShell();
  if (!(await holdWindow())) return;
  app.store = await openStore(storeSaid);
  app.docs = app.store.docs.sort((a, b) => (a.made < b.made ? 1 : -1));
  app.render();
  startFollowing();
  lookAtWard();
};

begin();
