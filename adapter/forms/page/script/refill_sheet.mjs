// A stopwatch in tenths of a second for the refill: held while the skin is pressed it starts on letting go; a plain tap
// starts it too. The next tap stops it.
import { button, h, sheet } from "./dom.mjs";

const tenths = (ms) => (Math.round(ms / 100) / 10).toFixed(1);

/** Measure, then hand over the seconds as digits. */
export const refillSheet = (item, use) => {
  let [pressed, started, stopped, timer] = [null, null, null, null];
  sheet(item.label, (close, dialog) => {
    const clock = h("p.clock", { role: "timer" }, "0.0");
    const said = h("p", { role: "status" }, "Hold this while you press on the skin. Let go of both together.");
    const words = h("span", {}, "Hold, or tap to start");
    const done = button("Use it", () => {
      close();
      use(tenths(stopped - started));
    }, { disabled: true }, "button.main.big");
    const show = () => {
      const at = performance.now();
      if (stopped !== null) clock.textContent = tenths(stopped - started);
      else if (started !== null) clock.textContent = tenths(at - started);
      else if (pressed !== null) clock.textContent = `pressing ${tenths(at - pressed)}`;
    };
    const down = () => {
      if (stopped !== null) return;
      if (started !== null) {
        stopped = performance.now();
        clearInterval(timer);
        words.textContent = "Stopped";
        said.textContent = `${tenths(stopped - started)} s`;
        done.disabled = false;
        show();
        done.focus();
        return;
      }
      pressed = performance.now();
      words.textContent = "Let go when you let go of the skin";
      timer ??= setInterval(show, 50);
    };
    const up = () => {
      if (pressed === null || started !== null) return;
      started = performance.now();
      words.textContent = "Tap when the colour is back";
      said.textContent = "Running";
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
    const again = button("Again", () => {
      clearInterval(timer);
      [pressed, started, stopped, timer] = [null, null, null, null];
      words.textContent = "Hold, or tap to start";
      clock.textContent = "0.0";
      done.disabled = true;
      pad.focus();
    });
    dialog.addEventListener("close", () => clearInterval(timer));
    return h("div.timer", {}, h("p", {}, item.how), clock, pad, said, h("div.row", {}, again, done), button("Close without measuring", close));
  });
};
