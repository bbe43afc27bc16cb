// Whom, by whom, when and as what: before anything else, and on screen from then on.
import { bdi, button, choice, field, freshId, h } from "./dom.mjs";
import { now } from "./moments.mjs";
import { checkPeople } from "./check_people.mjs";
import { checkTimes } from "./check_times.mjs";
import { askServersTime, clockDoubts } from "./clock.mjs";
import { freshDoc, recordOf } from "./record.mjs";
import { app, current, go, otherOf, placeOf, setFields } from "./state.mjs";
import { addDoc } from "./start.mjs";
import { nameOf } from "./called.mjs";
import { said, saidWith } from "./said.mjs";
import { remember } from "./store.mjs";
import { timeField } from "./time_field.mjs";
import { contextLine } from "./ward.mjs";

const text = (doc, words, value, put, extra = {}) =>
  field(words, h("input", {
    type: "text", value: value ?? "", autocomplete: "off", spellcheck: "false", maxlength: "255", dir: "auto", ...extra,
    oninput: (event) => setFields(doc, () => put(event.target.value)),
  }), extra.note);

const systems = (doc, words, one) => {
  const known = Object.keys(app.catalogue.identifier_systems);
  const put = (value) => {
    one.system = value ?? "";
    remember("system", one.system);
  };
  if (!known.length) return text(doc, words, one.system, put);
  const entries = [...new Set([...known, one.system])].filter(Boolean).map((name) => [name, name]);
  return field(words, choice([["", said("choose")], ...entries], one.system, (value) => setFields(doc, () => put(value))));
};

const numbers = (doc, list) =>
  list.map((one, n) => {
    const words = (key) => (n ? said(`who.${key}_n`, { n: n + 1 }) : said(`who.${key}`));
    return h("div.pair", {},
      text(doc, words("number"), one.value, (value) => Object.assign(one, { value }), { inputmode: "text" }),
      systems(doc, words("number_kind"), one));
  });

const radios = (doc, legend, entries, value, put) => {
  const name = freshId();
  return h("fieldset.radios", {}, h("legend", {}, legend),
    entries.map(([id, words]) =>
      h("label.tick", {}, h("input", { type: "radio", name, value: id, checked: id === value, onchange: () => setFields(doc, () => put(id)) }), words)));
};

const counting = (from, to) => [["", "–"], ...Array.from({ length: to - from + 1 }, (_, n) => [String(from + n), String(from + n)])];

const whole = (doc, target, key, value) =>
  setFields(doc, () => {
    if (value === null) delete target[key];
    else target[key] = Number(value);
  });

const nest = (newborn, key) => (newborn[key] ??= {});

const births = (doc) => {
  const { newborn } = doc.record;
  const order = newborn.birth_order ?? {};
  const gestation = newborn.gestation ?? {};
  const methods = ["ultrasound_dating", "last_menstrual_period", "conception_date", "maturity_score", "history"];
  const drop = (key, need) => {
    if (newborn[key]?.[need] === undefined) delete newborn[key];
  };
  return [
    h("div.triple", {},
      field(said("who.birth_order"), choice(counting(1, 9), String(order.order ?? ""), (v) => {
        whole(doc, nest(newborn, "birth_order"), "order", v);
        setFields(doc, () => drop("birth_order", "order"));
      })),
      field(said("who.of"), choice(counting(2, 9), String(order.of ?? ""), (v) => {
        whole(doc, nest(newborn, "birth_order"), "of", v);
        setFields(doc, () => drop("birth_order", "order"));
      }))),
    h("div.triple", {},
      field(said("who.weeks"), choice(counting(20, 45), String(gestation.weeks ?? ""), (v) => {
        whole(doc, nest(newborn, "gestation"), "weeks", v);
        setFields(doc, () => drop("gestation", "weeks"));
      })),
      field(said("who.days"), choice(counting(0, 6), String(gestation.days ?? ""), (v) => {
        whole(doc, nest(newborn, "gestation"), "days", v);
        setFields(doc, () => drop("gestation", "weeks"));
      })),
      field(said("who.dated_by"), choice([["", "–"], ...methods.filter((m) => app.catalogue.methods[m]).map((m) => [m, app.catalogue.methods[m]])],
        gestation.method, (v) => setFields(doc, () => {
          if (v) nest(newborn, "gestation").method = v;
          else if (newborn.gestation) delete newborn.gestation.method;
          drop("gestation", "weeks");
        })))),
  ];
};

const mother = (doc) => {
  const { newborn } = doc.record;
  const one = newborn.mother ?? { identifiers: [{ system: "", value: "" }], name: "" };
  const put = (change) => {
    newborn.mother = one;
    change();
    if (!one.identifiers[0].value && !one.name) delete newborn.mother;
  };
  const [number] = one.identifiers;
  return h("details", { open: Boolean(newborn.mother) }, h("summary", {}, said("who.mother")),
    h("p.hint", {}, said("who.mother_hint")),
    h("div.pair", {},
      text(doc, said("who.mother_number"), number.value, (value) => put(() => {
        number.value = value;
        number.system ||= newborn.identifiers[0]?.system || "mrn";
      })),
      text(doc, said("who.mother_kind"), number.system || newborn.identifiers[0]?.system, (value) => put(() => (number.system = value)))),
    text(doc, said("who.mother_name"), one.name, (value) => put(() => (one.name = value))));
};

const showFaults = (title, faults, place, ...more) => {
  place.replaceChildren(h("h3", { tabindex: "-1" }, title), h("ul", {}, faults.map((one) => h("li", {}, `${one.what} ${one.remedy}`))), ...more);
  place.querySelector("h3").focus();
};

/** Begin, or say what is wrong; what is doubtful of age and clock is asked once, before there is an exam. */
const begin = (doc, place) => {
  const started = doc.record.exam.started || now();
  const start = () => {
    setFields(doc, () => {
      doc.live ??= !doc.record.exam.started;
      doc.begun = true;
      doc.record.exam.started = started;
    });
    go("page", said("who.examining", { name: nameOf(doc) }));
  };
  const record = { ...recordOf(doc), findings: [] };
  record.exam.started = started;
  const found = [...checkPeople(record, app.catalogue), ...checkTimes(record, app.catalogue)].filter((one) => one.field !== "reason");
  const faults = found.filter((one) => one.severity === "error");
  if (faults.length) return showFaults(said("who.before"), faults, place);
  const doubts = doc.begun ? [] : [...found, ...clockDoubts(started, app.docs.filter((other) => other !== doc))];
  if (!doubts.length) return start();
  return showFaults(said("who.doubtful"), doubts, place, button(said("who.begin_right"), start));
};

const addTwin = (doc) => {
  const { exam, newborn } = doc.record;
  const { order = 1, of = 2 } = newborn.birth_order ?? {};
  newborn.birth_order ??= { order: 1, of: 2 };
  const twin = freshDoc(
    { kind: exam.kind, place: exam.place, examiners: structuredClone(exam.examiners) },
    {
      birth_order: { order: order === 1 ? 2 : 1, of },
      ...(newborn.gestation ? { gestation: structuredClone(newborn.gestation) } : {}),
      ...(newborn.mother ? { mother: structuredClone(newborn.mother) } : {}),
      identifiers: [{ system: newborn.identifiers[0]?.system ?? "", value: "" }],
    },
  );
  twin.twin = doc.key;
  addDoc(twin);
  setFields(doc, () => (doc.twin = twin.key));
  app.key = twin.key;
  go("who", said("who.twin_begun"));
};

/** The form. */
export const whoView = (doc) => {
  const { exam, newborn } = doc.record;
  const [examiner] = exam.examiners;
  const place = h("div.faults", { role: "alert" });
  const other = otherOf(doc);
  const kinds = Object.entries(app.catalogue.kinds);
  const roles = Object.entries(app.catalogue.roles);
  const locked = Boolean(doc.saved);
  if (app.catalogue.served && !doc.begun) askServersTime();
  return h("article.whoform", {},
    h("h2", { tabindex: "-1" }, said(doc.begun ? "who.title_begun" : "who.title")),
    other && h("p.twin", {}, saidWith("who.twin_of", { name: h("strong", {}, bdi(nameOf(other))) })),
    contextLine(doc),
    doc.begun && !locked ? h("p.hint", {}, said("who.only_to_correct")) : null,
    h("fieldset.form", { disabled: locked },
      h("legend.hidden", {}, said("who.legend")),
      text(doc, said("who.name"), newborn.name, (value) => (newborn.name = value)),
      numbers(doc, newborn.identifiers),
      button(said("who.more_numbers"), () => {
        setFields(doc, () => newborn.identifiers.push({ system: newborn.identifiers[0].system, value: "" }));
        app.render();
      }, {}, "button.small"),
      radios(doc, said("who.sex"), ["female", "male", "other", "unknown"].map((sex) => [sex, said(`who.${sex}`)]), newborn.sex, (v) => (newborn.sex = v)),
      timeField(said("who.born"), newborn.birth_time, (iso) => setFields(doc, () => (newborn.birth_time = iso))),
      births(doc), mother(doc),
      kinds.length > 1
        ? radios(doc, said("who.kind"), kinds.map(([id, kind]) => [id, kind.label]), exam.kind, (v) => (exam.kind = v))
        : h("p", {}, said("who.kind_is", { kind: kinds[0][1].label })),
      h("div.pair", {},
        text(doc, said("who.examiner"), examiner.name, (value) => {
          examiner.name = value;
          remember("examiner", value);
        }),
        field(said("who.role"), choice([["", said("choose")], ...roles], examiner.role, (value) => setFields(doc, () => {
          examiner.role = value ?? "";
          remember("role", examiner.role);
        })))),
      text(doc, said("who.place"), exam.place, (value) => {
        exam.place = value;
        remember("place", value);
      }),
      timeField(said("who.begun"), exam.started, (iso) => setFields(doc, () => (exam.started = iso))),
      h("p.hint", {}, said("who.exam_id", { id: exam.id }))),
    place,
    h("div.row", {},
      button(said(doc.begun ? "who.back" : "who.begin"), () => (doc.saved ? go("summary") : begin(doc, place)), {}, "button.main.big"),
      !other && !locked && button(said("who.twin"), () => addTwin(current()), {}, "button"),
      other && button(said("who.to", { name: nameOf(other) }), () => {
        app.key = other.key;
        go(placeOf(other));
      }),
      button(said("all_exams"), () => go("start"))));
};
