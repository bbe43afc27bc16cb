// The exams that this device keeps, and a new one.
import { bdi, button, h, sheet } from "./dom.mjs";
import { inPeoplesWords } from "./moments.mjs";
import { freshDoc } from "./record.mjs";
import { app, go, placeOf } from "./state.mjs";
import { nameOf, orderWords } from "./identity.mjs";
import { progress } from "./pages.mjs";
import { remember, remembered } from "./store.mjs";
import { downloadRecord } from "./saving.mjs";
import { caution } from "./cautions.mjs";
import { fateLine } from "./handed.mjs";
import { offlineLine } from "./offline.mjs";
import { listMark, wardPart } from "./ward.mjs";

/** Put a new exam among those kept, filled with what this device remembers of the examiner. */
export const addDoc = (doc) => {
  const { exam, newborn } = doc.record;
  const kinds = Object.keys(app.catalogue.kinds);
  if (!exam.kind && kinds.length === 1) [exam.kind] = kinds;
  const [examiner] = exam.examiners;
  examiner.name ||= remembered("examiner");
  examiner.role ||= remembered("role") || "nurse";
  exam.place ||= remembered("place");
  for (const one of newborn.identifiers)
    one.system ||= remembered("system") || Object.keys(app.catalogue.identifier_systems)[0] || "mrn";
  doc.made = new Date().toISOString();
  app.docs.unshift(doc);
  app.store.keep(doc);
  return doc;
};

/** Whether this page knows all that an exam holds: it may have been begun with a page of another site or kind. */
export const known = (doc) =>
  (!doc.begun || doc.record.exam.kind in app.catalogue.kinds) &&
  [...doc.record.findings, ...doc.drafts].every((entry) => app.catalogue.items.has(entry.item));

const strange = (doc) =>
  sheet("Begun with another page", (close) =>
    h("div", {},
      h("p", {}, "This exam is of a kind, or has items, that this page does not know. Open it with the page it was begun with, so that nothing of it is lost."),
      h("div.row", {}, button("Download the record as it is", () => downloadRecord(doc)), button("Close", close, {}, "button.main"))));

const open = (doc) => {
  if (!known(doc)) return strange(doc);
  app.key = doc.key;
  return go(placeOf(doc));
};

const forget = (doc) =>
  sheet("Delete this exam from this device?", (close) => {
    const sure = h("input", { type: "checkbox", id: "sure" });
    const unsaved = doc.saved ? "It was saved." : "It was never saved: its findings will be gone for good.";
    return h("div", {},
      h("p", {}, bdi(nameOf(doc)), ` ${orderWords(doc)}: ${doc.record.findings.length} findings. ${unsaved}`),
      h("label.tick", {}, sure, "Yes, I want to delete it"),
      h("div.row", {}, button("Delete", () => {
        if (!sure.checked) return;
        app.docs = app.docs.filter((other) => other !== doc);
        for (const other of app.docs) if (other.twin === doc.key) other.twin = null;
        app.store.forget(doc.key);
        close();
        app.render("Deleted");
      }), button("Keep it", close, {}, "button.main")));
  });

const entry = (doc) => {
  const counts = doc.begun && known(doc) ? progress(doc) : null;
  const { exam, newborn } = doc.record;
  const state = doc.saved ? `saved ${inPeoplesWords(doc.saved.at)}` : counts ? `not saved, ${counts.done} of ${counts.all} recorded` : doc.begun ? "begun with another page" : "not begun";
  return h("li", {},
    h("button.exam", { type: "button", onclick: () => open(doc) },
      h("strong", {}, bdi(nameOf(doc))), orderWords(doc) && h("span.badge", {}, `Baby ${orderWords(doc)}`), listMark(doc),
      h("span.line", {}, newborn.identifiers.map((one) => [`${one.system} `, bdi(one.value), " "]), `born ${inPeoplesWords(newborn.birth_time)}`),
      h("span.line", {}, `${app.catalogue.kinds[exam.kind]?.label ?? "Kind not chosen"}${exam.status === "amended" ? ", correction" : ""}: ${state}`),
      fateLine(doc)),
    button("Delete …", () => forget(doc), { "aria-label": `Delete the exam of ${nameOf(doc)} …` }, "button.small"));
};

const looks = () =>
  h("fieldset.look", {}, h("legend", {}, "Look"),
    [["auto", "As the device"], ["dark", "Dark room"], ["light", "Light"]].map(([look, words]) =>
      h("label.tick", {}, h("input", {
        type: "radio", name: "look", value: look,
        checked: (remembered("look") || "auto") === look,
        onchange: () => {
          remember("look", look);
          document.documentElement.dataset.look = look;
        },
      }), words)));

/** The first view. */
export const startView = () =>
  h("article.start", {},
    h("h2", { tabindex: "-1" }, "Newborn examination"),
    h("p.hint", {}, "Everything stays on this device until you save it. Nothing is sent anywhere",
      app.catalogue.served ? " but to the program that gave you this page." : "."),
    offlineLine(),
    wardPart(addDoc, open),
    button(app.catalogue.ward ? "Begin with a newborn not on the list" : "Begin with a newborn", () => open(addDoc(freshDoc())), {}, app.catalogue.ward ? "button" : "button.main.big"),
    h("h3", {}, app.docs.length ? "Exams on this device" : "No exam is kept on this device."),
    h("ul.exams", {}, app.docs.map(entry)),
    looks(), caution());
