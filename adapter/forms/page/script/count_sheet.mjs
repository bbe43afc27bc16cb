// A clock to count by: a tap for each beat or breath, or the count typed at the end; it gives the rate in a minute.
import { button, field, h, sheet } from "./dom.mjs";
import { exact, fixed, isNumber, over, times } from "./exact.mjs";
import { digitsSaid } from "./say.mjs";
import { said } from "./said.mjs";
import { app } from "./state.mjs";

/** The rate in a minute of a count in so many seconds, to the nearest whole one. */
export const rateOf = (count, seconds) => fixed(over(times(exact(count), exact("60")), exact(seconds)), 0);

const awake = async () => {
  try {
    return await navigator.wakeLock?.request("screen");
  } catch {
    return null;
  }
};

/** Count, then hand over the rate and the seconds it was counted for. */
export const countSheet = (item, use) => {
  let [started, count, timer, length, lock] = [null, 0, null, 60, null];
  const stop = () => {
    clearInterval(timer);
    timer = null;
    lock?.release?.();
  };
  sheet(item.label, (close, dialog) => {
    const place = h("div", {});
    const show = (...children) => place.replaceChildren(...children);

    const result = (seconds) => {
      stop();
      navigator.vibrate?.([200, 100, 200]);
      const input = h("input.number", { type: "text", inputmode: "numeric", value: count ? String(count) : "" });
      const status = h("p.rate", { role: "status" });
      const well = () => isNumber(input.value.trim()) && !input.value.includes(".") && !input.value.includes("-");
      const rate = () => rateOf(input.value.trim(), seconds);
      const done = button(said("count.use"), () => {
        if (!well()) return;
        close();
        use(rate(), seconds);
      }, {}, "button.main.big");
      const tell = () => {
        const short = Number(seconds) < Number(item.count_seconds);
        status.textContent = !well() ? said("count.how_many") : said(short ? "count.in_seconds_short" : "count.in_seconds", {
          count: input.value.trim(), seconds: digitsSaid(app.catalogue, seconds), rate: rate(),
        });
        done.disabled = !well();
      };
      input.addEventListener("input", tell);
      tell();
      show(h("p.big", {}, said("count.up")), field(said("count.counted"), input), status, h("div.row", {}, button(said("count.again"), choose), done));
      input.focus();
    };

    const run = async (seconds) => {
      [started, count, length] = [performance.now(), 0, seconds];
      const left = h("p.clock", { role: "timer", "aria-label": said("count.left") }, String(seconds));
      const tally = h("span.tally", {}, "0");
      const gone = () => (performance.now() - started) / 1000;
      const beat = () => {
        if (timer === null || gone() > length) return;
        count += 1;
        tally.textContent = String(count);
      };
      const pad = h("button.pad", {
        type: "button",
        onpointerdown: (event) => {
          event.preventDefault();
          beat();
        },
        onkeydown: (event) => {
          if ((event.key === " " || event.key === "Enter") && !event.repeat) {
            event.preventDefault();
            beat();
          }
        },
      }, tally, h("span", {}, said("count.tap")));
      const early = () => {
        const seconds_ = Math.floor(gone() * 10) / 10;
        if (seconds_ >= 15) result(String(seconds_));
        else choose();
      };
      show(left, pad, button(said("count.stop"), early));
      pad.focus();
      timer = setInterval(() => {
        const rest = Math.max(0, length - gone());
        left.textContent = String(Math.ceil(rest));
        if (rest <= 0) result(String(length));
      }, 100);
      lock = await awake();
    };

    const choose = () => {
      stop();
      const full = Number(item.count_seconds);
      show(h("p", {}, item.how), h("div.row", {},
        button(said("count.start", { seconds: full }), () => run(full), {}, "button.main.big"), button(said("count.start", { seconds: full / 2 }), () => run(full / 2))),
      h("p.hint", {}, said("count.less_reliable", { seconds: full })));
    };

    choose();
    dialog.addEventListener("close", stop);
    return h("div.timer", {}, place, button(said("count.close"), close));
  });
};
