// -- what is being typed into a field is the user's: an answer of the kernel does not replace it ----
//
// A field's widget writes its value into the field whenever anything about it changes, such as the
// range that its tip tells. While a text is begun and not yet handed over, such a value waits; the
// text is handed over by Enter or by leaving the field, and Escape gives the waiting value its place.

const FIELDS = '.rs-panel input[type="text"], .rs-panel textarea';
const TEXT = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value");
const LONG = Object.getOwnPropertyDescriptor(HTMLTextAreaElement.prototype, "value");
const BEGUN = new WeakMap(); // the value that waits, by field: at first what stood there

const plain = (field) => (field instanceof HTMLTextAreaElement ? LONG : TEXT);

/** Have values that are set meanwhile wait. */
function watch(field) {
  if (Object.hasOwn(field, "value")) return;
  const { get, set } = plain(field);
  Object.defineProperty(field, "value", {
    configurable: true,
    get() { return get.call(this); },
    set(value) {
      if (BEGUN.has(this) && document.activeElement === this) BEGUN.set(this, value);
      else set.call(this, value);
    },
  });
}

function begin({ target, isTrusted }) {
  if (!isTrusted || !(target instanceof Element) || !target.matches(FIELDS)) return;
  watch(target);
  if (!BEGUN.has(target)) BEGUN.set(target, target.value);
}

/** The text is handed over. */
function end({ target }) { BEGUN.delete(target); }

/** The text is given up, or is what stood there before. */
function giveUp({ target, type, key }) {
  if (!BEGUN.has(target) || (type === "keydown" && key !== "Escape")) return;
  const waiting = BEGUN.get(target);
  BEGUN.delete(target);
  target.value = waiting;
}

// in the capture phase, so that it is settled before the field's own widget hears of it; a change
// comes before the focus leaves, so what leaves with a text begun has the text it had before
const HEARS = { beforeinput: begin, change: end, focusout: giveUp, keydown: giveUp };

export default {
  initialize() {
    if (window.rsTyping) return;
    window.rsTyping = true;
    for (const [kind, answer] of Object.entries(HEARS)) document.addEventListener(kind, answer, true);
  },
  render() {}, // nothing is shown
};
