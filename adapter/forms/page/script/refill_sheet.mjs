// A stopwatch in tenths of a second for the refill: held while the skin is pressed it starts on letting go; a plain tap
// starts it too. The next tap stops it.
import { button, h, sheet } from "./dom.mjs";
import { digitsSaid } from "./say.mjs";
import { said } from "./said.mjs";
import { app } from "./state.mjs";

const tenths = (ms) => (Math.round(ms / 100) / 10).toFixed(1);
const shown = (ms) => digitsSaid(app.catalogue, tenths(ms));

/** Measure, then hand over the seconds as digits. */
export const refillSheet = (item, use) => {
  let [pressed, started, stopped, timer] = [null, null, null, null];
  sheet(item.label, (close, dialog) => {
    const clock = h("p.clock", { role: "timer" }, shown(0));
    const status = h("p", { role: "status" }, said("count.hold_press"));
    const words = h("span", {}, said("count.hold"));
    const done = button(said("count.use"), () => {
      close();
      use(tenths(stopped - started));
    }, { disabled: true }, "button.main.big");
    const show = () => {
      const at = performance.now();
      if (stopped !== null) clock.textContent = shown(stopped - started);
      else if (started !== null) clock.textContent = shown(at - started);
      else if (pressed !== null) clock.textContent = said("count.pressing", { seconds: shown(at - pressed) });
    };
    const down = () => {
      if (stopped !== null) return;
      if (started !== null) {
        stopped = performance.now();
        clearInterval(timer);
        words.textContent = said("count.stopped");
        status.textContent = said("count.seconds", { seconds: shown(stopped - started) });
        done.disabled = false;
        show();
        done.focus();
        return;
      }
      pressed = performance.now();
      words.textContent = said("count.let_go");
      timer ??= setInterval(show, 50);
    };
    const up = () => {
      if (pressed === null || started !== null) return;
      started = performance.now();
      words.textContent = said("count.colour_back");
      status.textContent = said("count.running");
    };
    const key = (event) => event.key === " " || event.key === "Enter";
    const pad = h("button.pad", {
      type: "button",
      onpointerdown: (event) => {
        event.preventDefault();
        event.target.setPointerCapture?.(event.pointerId);
        down();
      },
      onpointerup: up,
      onpointercancel: up,
      onkeydown: (event) => {
        if (!key(event)) return;
        event.preventDefault();
        if (!event.repeat) down();
      },
      onkeyup: (event) => key(event) && up(),
    }, words);
    const again = button(said("count.once_more"), () => {
      clearInterval(timer);
      [pressed, started, stopped, timer] = [null, null, null, null];
      words.textContent = said("count.hold");
      clock.textContent = shown(0);
      done.disabled = true;
      pad.focus();
    });
    dialog.addEventListener("close", () => clearInterval(timer));
    return h("div.timer", {}, h("p", {}, item.how), clock, pad, status, h("div.row", {}, again, done), button(said("count.close_measuring"), close));
  });
};
