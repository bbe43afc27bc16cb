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
