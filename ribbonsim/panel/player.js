// -- a clock over a loop: it runs in the browser, and the kernel is told what it has to know -------
//
// `share` (of the loop, 0 to 1) and `moving` are the browser's own and never sent as state, so that
// an answer of a busy kernel cannot put the clock back. What the kernel hears are messages.

const HEARD = 500; // milliseconds after which the kernel hears again where the clock is
const LONGEST = 0.25; // seconds that one frame may take; the page was hidden if it took longer

class Clock {
  constructor(model) {
    Object.assign(this, { model, last: 0, heard: 0, busy: false, next: null });
    model.set("share", 0);
    model.set("moving", false);
    model.on("change:moving", () => this.turn());
    model.on("msg:custom", (told) => this[`hear_${told.kind}`]?.(told));
    model.send({ kind: "fresh" });
  }

  get share() { return this.model.get("share"); }

  /** The nearest of the frames that the kernel knows. */
  get whole() {
    const count = this.model.get("count");
    return (Math.round(this.share * count) % count) / count;
  }

  turn() {
    this.last = 0;
    if (this.model.get("moving")) {
      this.tell({ kind: "play", share: this.share });
      requestAnimationFrame((now) => this.tick(now));
    } else if (this.told_to_stop) this.told_to_stop = false;
    else {
      this.model.set("share", this.whole);
      this.tell({ kind: "pause", share: this.share });
    }
  }

  tick(now) {
    if (!this.model.get("moving")) return;
    if (this.last && this.model.get("ready")) {
      const gone = Math.min((now - this.last) / 1000, LONGEST) / this.model.get("seconds");
      const before = this.whole;
      this.model.set("share", (this.share + gone) % 1);
      if (this.model.get("asks")) {
        if (this.whole !== before) this.tell({ kind: "frame", share: this.whole });
      } else if (!this.busy && now - this.heard >= HEARD) {
        this.heard = now;
        this.tell({ kind: "at", share: this.whole });
      }
    }
    this.last = now;
    requestAnimationFrame((then) => this.tick(then));
  }

  /** One message is under way at a time, and the next frame is the latest. */
  tell(told) {
    if (told.kind !== "frame") this.next = null;
    else if (this.busy) {
      this.next = told;
      return;
    }
    this.busy = true;
    this.model.send(told);
  }

  seek(share, done) {
    this.model.set("share", share);
    if (this.model.get("moving") || !(done || this.model.get("asks"))) return;
    this.tell({ kind: done ? "seek" : "frame", share: this.whole });
  }

  hear_done() {
    this.busy = false;
    if (!this.next) return;
    const told = this.next;
    this.next = null;
    this.tell(told);
  }

  hear_go({ share }) { this.model.set("share", share); }

  hear_stop() {
    if (!this.model.get("moving")) return;
    this.told_to_stop = true;
    this.model.set("moving", false);
  }
}

const CLOCKS = new Map();
const made = (kind, words, on = {}) => Object.assign(document.createElement(kind), words, on);

/** Buttons, slider and marks of a clock. */
function show(model, el, clock) {
  const host = made("div", { className: "rs-player" });
  const press = made("button", { type: "button", className: "jupyter-button rs-play" });
  const words = made("span", { className: "rs-time" }), said = made("div", { className: "rs-facts" });
  const line = made("input", { type: "range", min: 0, step: 1 }), ticks = made("div", { className: "rs-keys" });
  line.setAttribute("aria-label", "time in the loop");
  const top = made("div", { className: "rs-row" });
  top.append(press, words);
  host.append(top, line, ticks, said);
  el.append(host);
  press.onclick = () => model.set("moving", !model.get("moving"));
  line.oninput = () => clock.seek(line.value / line.max, false);
  line.onchange = () => clock.seek(line.value / line.max, true);

  const time = () => {
    const seconds = model.get("seconds"), share = model.get("share");
    const at = `${(seconds * share).toFixed(2)} of ${Number(seconds.toPrecision(6))} s`;
    const waits = model.get("moving") && !model.get("ready");
    const text = waits ? `${at}, on its way to the browser` : at;
    if (words.textContent !== text) words.textContent = text;
    const place = String(Math.round(share * model.get("count")));
    if (line.value !== place) line.value = place;
    line.setAttribute("aria-valuetext", at);
  };
  const state = () => {
    press.textContent = model.get("moving") ? "Pause" : "Play";
    time();
  };
  const marks = () => {
    line.max = model.get("count");
    const all = model.get("marks");
    ticks.replaceChildren(...all.map(([share, what, worst]) => {
      const tick = made("i", { title: what, className: worst ? "rs-worst" : "" });
      tick.style.left = `${100 * share}%`;
      return tick;
    }));
    said.textContent = all.filter(([, , worst]) => worst).map(([, what]) => what).join(", ");
    time();
  };
  const heard = {
    "change:share": time, "change:moving": state, "change:ready": time, "change:seconds": time,
    "change:count": marks, "change:marks": marks,
  };
  for (const [kind, answer] of Object.entries(heard)) model.on(kind, answer);
  marks();
  state();
  return () => { for (const [kind, answer] of Object.entries(heard)) model.off(kind, answer); };
}

export default {
  initialize({ model }) {
    const clock = new Clock(model);
    CLOCKS.set(model.get("name"), clock);
    return () => CLOCKS.delete(model.get("name"));
  },
  render({ model, el }) { return show(model, el, CLOCKS.get(model.get("name"))); },
};
