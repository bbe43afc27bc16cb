// One window at a time: two windows of this page would write over each other's exams.
import { button, h } from "./dom.mjs";

const LOCK = "newborn-exam-page";

const blocked = () =>
  new Promise((resolve) => {
    const page = document.getElementById("page");
    const words = "This page is open in another window. An exam is written in one window only.";
    page.replaceChildren(
      h("main.alone", {}, h("h1", {}, "Already open"), h("p", {}, words),
        button("Go on here, and stop the other window", () => resolve())),
    );
  });

const stopped = () => {
  document.querySelectorAll("dialog").forEach((dialog) => dialog.close());
  document.body.replaceChildren(
    h("main.alone", {}, h("h1", {}, "Stopped here"), h("p", {}, "This page goes on in another window."),
      button("Load it here again", () => location.reload())),
  );
};

const take = (options) =>
  new Promise((resolve) => {
    navigator.locks
      .request(LOCK, options, (lock) => {
        resolve(lock !== null);
        return lock === null ? undefined : new Promise(() => {});
      })
      .catch(() => stopped());
  });

/** Hold this page for this window; asks where another window has it. */
export const holdWindow = async () => {
  if (!navigator.locks) return true;
  if (await take({ ifAvailable: true })) return true;
  await blocked();
  return take({ steal: true });
};
