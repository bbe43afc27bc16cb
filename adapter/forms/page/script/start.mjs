// The exams that this device keeps, and a new one.
import { bdi, button, h, sheet } from "./dom.mjs";
import { is, moment, said, saidOf, saidWith } from "./said.mjs";
import { freshDoc } from "./record.mjs";
import { app, go, placeOf } from "./state.mjs";
import { babyBadge, nameOf, wholeName } from "./called.mjs";
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
  sheet(said("start.strange_title"), (close) =>
    h("div", {},
      h("p", {}, said("start.strange_why")),
      h("div.row", {}, button(said("start.download"), () => downloadRecord(doc)), button(said("close"), close, {}, "button.main"))));

const open = (doc) => {
  if (!known(doc)) return strange(doc);
  app.key = doc.key;
  return go(placeOf(doc));
};

const forget = (doc) =>
  sheet(said("start.delete_title"), (close) => {
    const sure = h("input", { type: "checkbox", id: "sure" });
    return h("div", {},
      h("p", {}, saidWith("start.delete_what", { name: bdi(wholeName(doc)), count: doc.record.findings.length }),
        " ", said(doc.saved ? "start.delete_saved" : "start.delete_unsaved")),
      h("label.tick", {}, sure, said("start.delete_sure")),
      h("div.row", {}, button(said("start.delete"), () => {
        if (!sure.checked) return;
        app.docs = app.docs.filter((other) => other !== doc);
        for (const other of app.docs) if (other.twin === doc.key) other.twin = null;
        app.store.forget(doc.key);
        close();
        app.render(said("start.deleted"));
      }), button(said("start.keep"), close, {}, "button.main")));
  });

const stateOf = (doc) => {
  if (doc.saved) return said("start.saved_at", { at: moment(doc.saved.at) });
  if (!doc.begun) return said("start.not_begun");
  return known(doc) ? said("start.not_saved", progress(doc)) : said("start.strange");
};

const entry = (doc) => {
  const { exam, newborn } = doc.record;
  const kind = app.catalogue.kinds[exam.kind]?.label ?? said("start.no_kind");
  return h("li", {},
    h("button.exam", { type: "button", onclick: () => open(doc) },
      h("strong", {}, bdi(nameOf(doc))), babyBadge(newborn), listMark(doc),
      h("span.line", {}, newborn.identifiers.map((one) => [`${one.system} `, bdi(one.value), " "]), saidOf("report.born_at", { at: moment(newborn.birth_time) })),
      h("span.line", {}, is(exam.status === "amended" ? said("start.correction", { kind }) : kind, stateOf(doc))),
      fateLine(doc)),
    button(said("start.delete_open"), () => forget(doc), { "aria-label": said("start.delete_open_of", { name: nameOf(doc) }) }, "button.small"));
};

const looks = () =>
  h("fieldset.look", {}, h("legend", {}, said("start.look")),
    ["auto", "dark", "light"].map((look) =>
      h("label.tick", {}, h("input", {
        type: "radio", name: "look", value: look,
        checked: (remembered("look") || "auto") === look,
        onchange: () => {
          remember("look", look);
          document.documentElement.dataset.look = look;
        },
      }), said(`start.look_${look}`))));

/** The first view. */
export const startView = () =>
  h("article.start", {},
    h("h2", { tabindex: "-1" }, said("title")),
    h("p.hint", {}, said(app.catalogue.served ? "start.stays_served" : "start.stays")),
    offlineLine(),
    wardPart(addDoc, open),
    button(said(app.catalogue.ward ? "start.begin_unlisted" : "start.begin"), () => open(addDoc(freshDoc())), {}, app.catalogue.ward ? "button" : "button.main.big"),
    h("h3", {}, said(app.docs.length ? "start.exams" : "start.none")),
    h("ul.exams", {}, app.docs.map(entry)),
    looks(), caution());
