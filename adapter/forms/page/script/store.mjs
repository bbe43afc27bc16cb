// Keeping exams on this device: in IndexedDB with the writes asked to reach the disk, and in localStorage besides,
// which is written before the tap has ended. What is read back is the newer of the two.

const NAME = "newborn-exam-page";
const PREFIX = `${NAME}/exam/`;

const request = (asked) =>
  new Promise((resolve, reject) => {
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });

const openDatabase = async () => {
  try {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("exams", { keyPath: "key" });
    return await request(asked);
  } catch {
    return null;
  }
};

const fromLocal = () => {
  try {
    return Object.keys(localStorage)
      .filter((name) => name.startsWith(PREFIX))
      .flatMap((name) => {
        try {
          return [JSON.parse(localStorage.getItem(name))];
        } catch {
          return [];
        }
      });
  } catch {
    return [];
  }
};

const written = (database, change) =>
  new Promise((resolve, reject) => {
    const transaction = database.transaction("exams", "readwrite", { durability: "strict" });
    change(transaction.objectStore("exams"));
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error);
  });

/** Whether what an earlier visit left is still there, which a private window does not find; this visit leaves it too. */
const cameBack = () => {
  const name = `${NAME}/visited`;
  try {
    const back = sessionStorage.getItem(name) ?? (localStorage.getItem(name) ? "before" : "first");
    sessionStorage.setItem(name, back);
    localStorage.setItem(name, "yes");
    return back === "before";
  } catch {
    return false;
  }
};

/** Open both stores. `onstate` hears after each write whether it is kept: {kept, half, rev}. */
export const openStore = async (onstate) => {
  const database = await openDatabase();
  const found = new Map();
  const stored = database ? await request(database.transaction("exams").objectStore("exams").getAll()).catch(() => []) : [];
  for (const doc of [...stored, ...fromLocal()])
    if (doc?.key && !(found.get(doc.key)?.rev >= doc.rev)) found.set(doc.key, doc);
  const waiting = new Map();

  const local = (doc) => {
    try {
      localStorage.setItem(PREFIX + doc.key, JSON.stringify(doc));
      return true;
    } catch {
      return false;
    }
  };

  const keep = (doc) => {
    const quick = local(doc);
    const text = JSON.stringify(doc);
    if (waiting.has(doc.key)) {
      waiting.set(doc.key, { text, quick });
      return;
    }
    waiting.set(doc.key, null);
    const write = async (content, wasQuick) => {
      let sure = false;
      const copy = JSON.parse(content);
      if (database) sure = await written(database, (exams) => exams.put(copy)).then(() => true, () => false);
      const next = waiting.get(doc.key);
      if (next) {
        waiting.set(doc.key, null);
        await write(next.text, next.quick);
        return;
      }
      waiting.delete(doc.key);
      onstate({ kept: sure || wasQuick, half: !(sure && wasQuick), key: doc.key, rev: copy.rev });
    };
    write(text, quick);
  };

  const forget = async (key) => {
    try {
      localStorage.removeItem(PREFIX + key);
    } catch {
      // Nothing was kept there.
    }
    if (database) await written(database, (exams) => exams.delete(key)).catch(() => {});
  };

  return { docs: [...found.values()], keep, forget, lasting: cameBack() };
};

/** Ask the browser not to clear what is kept. Some ask the person first, so nothing may wait for the answer. */
export const askToLast = (store, then) =>
  navigator.storage?.persist?.().then((granted) => {
    store.lasting ||= granted;
    then();
  }, () => {});

/** Where this window is, through a reload, as `{key, view, page, at}`: put it (null: in no exam), or read it. */
export const openHere = (place) => {
  const name = `${NAME}/open`;
  try {
    if (place !== undefined) sessionStorage.setItem(name, JSON.stringify(place));
    return JSON.parse(sessionStorage.getItem(name));
  } catch {
    return null;
  }
};

/** What this device remembers that is of no infant: look, examiner, whose numbers are used. */
export const remembered = (name) => {
  try {
    return localStorage.getItem(`${NAME}/${name}`) ?? "";
  } catch {
    return "";
  }
};

export const remember = (name, value) => {
  try {
    localStorage.setItem(`${NAME}/${name}`, value ?? "");
  } catch {
    // It is asked again next time.
  }
};
