
// -- in a notebook: bytes come as messages, camera and hand go back --------------------------------

const SLOW_AFTER = 4; // frames before a view is timed
const CAMERA_EVERY = 250; // milliseconds between two messages of a camera that moves

/** One view of the widget: it draws what the kernel sends, and orbits without asking it. */
class NotebookView {
  constructor(model, host) {
    Object.assign(this, { model, host, frames: 0, timed: false, hand: null, busy: false });
    this.hear = (told, buffers) => this.take(told, buffers);
    model.on("msg:custom", this.hear);
    this.follow = () => this.showMoment();
    // the tab with the player may be made later than the view
    this.found = () => this.findPlayer();
    model.on("change:player", this.found);
    this.findPlayer();
    const name = rendererName();
    model.send({ kind: "ready", renderer: name, software: !name || isSoftware(name) });
  }

  take(told, buffers) {
    try {
      this[`take_${told.kind}`]?.(told, buffers);
    } catch (error) {
      this.model.send({ kind: "none", why: String(error) });
    }
  }

  take_creature(told, [creature, ...layouts]) {
    this.view?.close();
    this.view = new CreatureView(this.host, {
      creature: unpack(creature), layouts: layouts.map(unpack), ...told.options,
      on: {
        pick: (found) => {
          if (found || this.view.shown.picks) this.model.send({ ...found, kind: "pick", kind_picked: found?.kind ?? "" });
        },
        hover: (vertex) => this.model.send({ kind: "hover", vertex }),
        divider: (share, done) => done && this.model.send({ kind: "divider", share }),
        end: () => this.model.send({ kind: "end" }),
        draw: (drawn) => this.sendDrawn({ ...drawn, kind: "draw" }),
        camera: (camera, done) => this.sendCamera(camera, done),
        drag: told.poses ? (drag) => this.sendHand({ ...drag, kind: "drag" }) : undefined,
      },
    });
    Object.assign(this.host, { creatureView: this.view, notebookView: this }); // for tests of the page
    this.steps = this.loop = this.scale = null;
  }

  take_layout({ number, arrange }, [binding]) {
    // what moves without the kernel moves all layouts or none
    if (this.steps && number >= this.steps.parts.length) this.steps = null;
    if (this.loop && number >= this.loop.length) this.loop = null;
    this.view.setLayout(number, unpack(binding), arrange);
  }

  take_count({ count }) { this.view.keepLayouts(count); }

  take_pose(told, buffers) {
    const { view } = this;
    this.busy = false;
    if (told.camera && !view.held) view.camera.set(told.camera);
    told.names.forEach((name, i) => {
      view.layouts[i].facts.name = name;
      view.layouts[i].dual = told.method[i] === "dual_quaternion";
    });
    view.show(told.shown);
    if (told.arrange !== view.arrangement && view.layouts.length > 1) view.arrange(told.arrange);
    if (!this.ownsAmount(told) && !this.ownsMoment(told))
      if (told.moment !== null && this.loop) this.showLoop(told.moment); // which lies on the ground
      else buffers.forEach((data, i) => view.setPose(i, numbersOf(data)));
    this.flushHand();
    if (!this.timed && ++this.frames > SLOW_AFTER && this.host.clientWidth) this.time();
  }

  take_heat({ number, scale }, [shares]) {
    this.view.setHeat(number, shares ? bytesOf(shares) : null);
    if (number === 0) this.scale = scale;
    this.showScale();
  }

  /** Colours that hold in one pose alone are not shown while it moves. */
  showScale() {
    const stale = this.plays && this.scale?.ofPose;
    if (this.view.shown.scale !== (stale ? null : this.scale)) this.view.show({ scale: stale ? null : this.scale });
  }

  /** A test pose at even steps: from now on its amount is shown without the kernel. */
  take_steps({ name }, buffers) {
    this.steps = { name, parts: buffers.map((data) => new Steps(unpack(data))) };
  }

  take_nosteps() { this.steps = null; }

  // -- a loop, by the clock of a player --

  /** A motion at even frames, each layout's: from now on it plays without the kernel. */
  take_loop({ seats }, buffers) {
    const count = buffers.length - seats.length;
    seats.forEach((i, k) => this.view.layouts[i]?.lieOn(unpack(buffers[count + k])));
    this.loop = buffers.slice(0, count).map((data) => new Steps(unpack(data)));
    this.showMoment(true);
  }

  take_noloop() { this.loop = null; }

  async findPlayer() {
    const name = this.model.get("player");
    if (!name) return;
    const player = await this.model.widget_manager.get_model(name.replace("IPY_MODEL_", ""));
    if (this.closed || this.player === player) return;
    this.player?.off("change:share change:moving", this.follow);
    this.player = player;
    player.on("change:share change:moving", this.follow);
  }

  get plays() { return Boolean(this.loop && this.player?.get("moving")); }

  /** Show the clock's moment, if it goes or was set by hand. */
  showMoment(sent = false) {
    if (!this.view) return;
    this.showScale();
    if (!this.loop || (sent && !this.plays)) return;
    this.momentAt = performance.now();
    this.showLoop(this.player.get("share"));
  }

  showLoop(share) {
    this.loop.forEach((steps, i) => { // a layout that was changed may still be on its way
      if (this.view.layouts[i]?.fits(steps.numbers)) this.view.setPose(i, steps.at(share), steps.pressed);
    });
  }

  /** Whether the clock has gone on since a pose was asked for. */
  ownsMoment(told) {
    if (this.plays) return true;
    const fresh = performance.now() - (this.momentAt ?? -1e9) < 600;
    return fresh && told.moment !== null && Math.abs(told.moment - this.player.get("share")) > 1e-6;
  }

  take_done() {
    this.busy = false;
    this.flushHand();
  }

  showAmount(amount) {
    if (!this.steps || !this.view) return;
    this.amountAt = performance.now();
    this.steps.parts.forEach((steps, i) => this.view.layouts[i]?.fits(steps.numbers) && this.view.setPose(i, steps.at(amount)));
  }

  /** Whether the hand has gone on since a pose was asked for: then the pose is an old one. */
  ownsAmount(told) {
    const fresh = performance.now() - (this.amountAt ?? -1e9) < 600;
    return fresh && told.amount !== null && Math.abs(told.amount - this.model.get("amount")) > 1e-6;
  }

  sendCamera(camera, done) {
    const now = performance.now();
    if (!done && now - (this.cameraAt ?? 0) < CAMERA_EVERY) return;
    this.cameraAt = now;
    this.model.send({ kind: "camera", ...camera, done });
  }

  /** One message of a drag is under way at a time, and the next is the latest. */
  sendHand(hand) {
    this.hand = { ...hand, begins: Boolean(hand.begins || this.hand?.begins) };
    this.flushHand();
  }

  /** No click is left out. */
  sendDrawn(drawn) {
    if (drawn.act === "drag") {
      this.sendHand(drawn);
      return;
    }
    if (this.hand) this.model.send(this.hand);
    this.hand = null;
    this.model.send(drawn);
  }

  flushHand() {
    if (!this.hand || this.busy) return;
    this.busy = true;
    this.model.send(this.hand);
    this.hand = null;
  }

  time() {
    this.timed = true;
    this.model.send({ kind: "timed", milliseconds: this.view.measure() });
  }

  close() {
    this.closed = true;
    this.model.off("msg:custom", this.hear);
    this.model.off("change:player", this.found);
    this.player?.off("change:share change:moving", this.follow);
    this.view?.close();
  }
}

const bytesOf = (data) => new Uint8Array(data.buffer.slice(data.byteOffset, data.byteOffset + data.byteLength));
const numbersOf = (data) => new Float32Array(bytesOf(data).buffer);

export default {
  render({ model, el }) {
    const host = document.createElement("div");
    host.className = "rs-live";
    el.append(host);
    const shown = new NotebookView(model, host);
    const amount = () => shown.showAmount(model.get("amount"));
    model.on("change:amount", amount);
    return () => {
      model.off("change:amount", amount);
      shown.close();
    };
  },
};
