// -- a mesh file that is dropped anywhere on the panel is opened, with the files it names ---------

const MOST = 9.5e6; // bytes; more is not sent in one message to the kernel

const holdsFiles = (event) => Boolean(event.dataTransfer?.types.includes("Files"));

async function hand(model, files) {
  const names = files.map(({ name }) => name);
  if (files.reduce((sum, { size }) => sum + size, 0) > MOST) {
    model.send({ kind: "large", names });
    return;
  }
  const contents = await Promise.all(files.map((file) => file.arrayBuffer()));
  model.send({ kind: "dropped", names }, undefined, contents.map((content) => new DataView(content)));
}

export default {
  render({ model, el }) {
    let panel = null, waiting = 0;
    const over = (event) => {
      if (!holdsFiles(event)) return;
      event.preventDefault();
      event.stopPropagation();
      event.dataTransfer.dropEffect = "copy";
      panel.classList.add("rs-dropping");
    };
    const leave = (event) => {
      if (!panel.contains(event.relatedTarget)) panel.classList.remove("rs-dropping");
    };
    const drop = (event) => {
      if (!holdsFiles(event)) return;
      event.preventDefault();
      event.stopPropagation();
      panel.classList.remove("rs-dropping");
      hand(model, [...event.dataTransfer.files]);
    };
    const heard = { dragenter: over, dragover: over, dragleave: leave, drop };
    const find = () => { // it stands on the page only after this
      panel = el.closest(".rs-panel");
      if (!panel) waiting = requestAnimationFrame(find);
      else for (const kind in heard) panel.addEventListener(kind, heard[kind]);
    };
    find();
    return () => {
      cancelAnimationFrame(waiting);
      for (const kind in heard) panel?.removeEventListener(kind, heard[kind]);
    };
  },
};
