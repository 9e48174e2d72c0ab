// -- how large the picture is shown: the page tells the kernel, which draws it as large -----------
//
// What is measured is an empty box of the picture's size beside it, so that it does not matter who
// draws, and what the picture's file is like. The first size is told at once; while the size
// changes, such as while a window is drawn larger, it is told when it has rested.

const RESTS = 150; // milliseconds

/** Pixels of the screen, how many of them are one of the page's, and how much letters have grown. */
function sizeOf(box, entry) {
  const density = window.devicePixelRatio || 1, exact = entry?.devicePixelContentBoxSize?.[0];
  const counted = (length, told) => {
    // a screen that is only played, as browsers' tools do, is not counted in its own pixels
    const near = told !== undefined && Math.abs(told - length * density) < 2;
    return near ? told : Math.round(length * density);
  };
  const { width, height } = box.getBoundingClientRect();
  const growth = Number(getComputedStyle(box).getPropertyValue("--rs-k")) || 1;
  return [counted(width, exact?.inlineSize), counted(height, exact?.blockSize), density, growth];
}

/** A pixel more or less comes of where the page is scrolled to. */
const isLike = (size, last) => last && size.every((number, i) => Math.abs(number - last[i]) <= (i < 2 ? 1 : 0));

function watch(box, told) {
  const watcher = new ResizeObserver(([entry]) => told(sizeOf(box, entry)));
  try {
    watcher.observe(box, { box: "device-pixel-content-box" });
  } catch { // not every browser knows how many of the screen's pixels a box takes
    watcher.observe(box);
  }
  return watcher;
}

export default {
  render({ model, el }) {
    const box = document.createElement("div");
    box.className = "rs-shown";
    el.append(box);
    let waits = null, last = null;
    const tell = (size) => {
      last = size;
      model.set("shown", size);
      model.save_changes();
    };
    const watcher = watch(box, (size) => {
      clearTimeout(waits);
      if (!size[0] || !size[1] || isLike(size, last)) return; // not seen now, or as before
      if (last) waits = setTimeout(() => tell(size), RESTS);
      else tell(size);
    });
    return () => {
      clearTimeout(waits);
      watcher.disconnect();
    };
  },
};
