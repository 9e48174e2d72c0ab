// -- small pictures of poses in a row: a click takes the pose --------------------------------------
//
// The kernel says what there is (`items`) and sends pictures as messages; it hears whether the row
// is seen, since nothing is drawn for nobody, and which pose was clicked.

/** Pictures by key, kept while the page lives, and the places where the row is seen. */
class Store {
  constructor(model) {
    Object.assign(this, { model, pictures: new Map(), shown: new Set(), hear: new Set() });
    model.on("msg:custom", (told, buffers) => {
      if (told.kind !== "picture") return;
      const old = this.pictures.get(told.key);
      this.pictures.set(told.key, URL.createObjectURL(new Blob([buffers[0]], { type: "image/jpeg" })));
      this.hear.forEach((draw) => draw());
      if (old) setTimeout(() => URL.revokeObjectURL(old), 1000);
    });
    model.send({ kind: "fresh" });
  }

  see(host, on) {
    const before = this.shown.size;
    if (on) this.shown.add(host); else this.shown.delete(host);
    if (!before !== !this.shown.size) this.model.send({ kind: "seen", on: this.shown.size > 0 });
  }

  close() { this.pictures.forEach((url) => URL.revokeObjectURL(url)); }
}

const STORES = new Map();
const made = (kind, words, on = {}) => Object.assign(document.createElement(kind), words, on);

function button(model, key) {
  const host = made("button", { type: "button", className: "rs-pose" });
  const picture = made("img", { alt: "", draggable: false }), mark = made("b"), words = made("span");
  host.append(picture, mark, words);
  host.onclick = () => model.send({ kind: "take", key });
  return Object.assign(host, { picture, mark, words });
}

function show(model, el, store) {
  const host = made("div", { className: "rs-strip" });
  host.setAttribute("role", "group");
  host.setAttribute("aria-label", "poses: a click takes one");
  el.append(host);
  const buttons = new Map();
  const draw = () => {
    const items = model.get("items");
    for (const item of items) {
      if (!buttons.has(item.key)) buttons.set(item.key, button(model, item.key));
      const one = buttons.get(item.key), source = store.pictures.get(item.key) ?? "";
      if (one.picture.getAttribute("src") !== source) one.picture.setAttribute("src", source);
      one.picture.style.visibility = source && item.state !== "cannot" ? "" : "hidden";
      one.className = `rs-pose rs-${item.state}${item.old ? " rs-old" : ""}`;
      one.mark.textContent = item.mark;
      one.words.textContent = item.name;
      one.title = item.tip;
      one.setAttribute("aria-label", item.tip);
      one.setAttribute("aria-pressed", String(item.key === model.get("chosen")));
    }
    const wanted = items.map(({ key }) => buttons.get(key));
    if (wanted.length !== host.children.length || wanted.some((one, i) => host.children[i] !== one)) {
      host.replaceChildren(...wanted);
    }
  };
  // a row that is hidden, folded or scrolled away is not seen
  const watch = new IntersectionObserver((seen) => store.see(host, seen.at(-1).isIntersecting));
  watch.observe(host);
  store.hear.add(draw);
  model.on("change:items", draw);
  model.on("change:chosen", draw);
  draw();
  return () => {
    watch.disconnect();
    store.see(host, false);
    store.hear.delete(draw);
    model.off("change:items", draw);
    model.off("change:chosen", draw);
  };
}

export default {
  initialize({ model }) {
    const store = new Store(model);
    STORES.set(model.get("name"), store);
    return () => {
      store.close();
      STORES.delete(model.get("name"));
    };
  },
  render({ model, el }) { return show(model, el, STORES.get(model.get("name"))); },
};
