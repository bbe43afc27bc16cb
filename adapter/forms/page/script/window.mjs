// One window at a time: two windows of this page would write over each other's exams.
import { button, h } from "./dom.mjs";
import { said } from "./said.mjs";

const LOCK = "newborn-exam-page";

const blocked = () =>
  new Promise((resolve) => {
    const page = document.getElementById("page");
    page.replaceChildren(
      h("main.alone", {}, h("h1", {}, said("window.open_title")), h("p", {}, said("window.open")),
        button(said("window.go_on"), () => resolve())),
    );
  });

const stopped = () => {
  document.querySelectorAll("dialog").forEach((dialog) => dialog.close());
  document.body.replaceChildren(
    h("main.alone", {}, h("h1", {}, said("window.stopped_title")), h("p", {}, said("window.stopped")),
      button(said("window.reload"), () => location.reload())),
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

// Over plain http a browser has no locks. There the windows of this browser ask each other: the one that was first
// answers, and keeps on holding until another is told to go on.
const askOthers = () => {
  const channel = new BroadcastChannel(LOCK);
  const since = performance.timeOrigin + Math.random();
  let heard = false;
  channel.onmessage = ({ data }) => {
    if (data.says === "who" && since < data.since) channel.postMessage({ says: "here" });
    if (data.says === "here") heard = true;
    if (data.says === "stop" && data.since !== since) {
      channel.close();
      stopped();
    }
  };
  channel.postMessage({ says: "who", since });
  return new Promise((resolve) => {
    setTimeout(async () => {
      if (heard) {
        await blocked();
        channel.postMessage({ says: "stop", since });
      }
      resolve(true);
    }, 300);
  });
};

/** Hold this page for this window; asks where another window has it. */
export const holdWindow = async () => {
  if (!navigator.locks) return askOthers();
  if (await take({ ifAvailable: true })) return true;
  await blocked();
  return take({ steal: true });
};
