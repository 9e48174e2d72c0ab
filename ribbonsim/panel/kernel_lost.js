// -- a panel whose kernel was restarted or has ended says so, with a way to go on -----------------

const SAYS = "The kernel of this panel was restarted or has ended: run the notebook again to go on.";

/** What runs the notebook's cells again; null where the page offers nothing that does. */
function runner(el) {
  const app = window.jupyterapp; // where the server lets the page have it
  if (app) return () => app.commands.execute("notebook:run-all-cells");
  const key = el.closest(".jp-NotebookPanel")?.querySelector('[data-command="notebook:restart-run-all"]');
  // such a key answers when it is pressed down, or when it is let go: one of the two
  const down = () => new MouseEvent("mousedown", { bubbles: true, cancelable: true, button: 0 });
  return key ? () => { key.dispatchEvent(down()); key.click(); } : null;
}

function notice(el) {
  const bar = document.createElement("div");
  bar.className = "rs-lost";
  bar.setAttribute("role", "alert");
  bar.textContent = SAYS;
  const run = runner(el);
  if (run) {
    const button = document.createElement("button");
    button.className = "jupyter-button";
    button.textContent = "Run the notebook again";
    button.addEventListener("click", run);
    bar.append(button);
  }
  return bar;
}

export default {
  render({ model, el }) {
    let shown = null;
    // the mark of a widget without a kernel is set by another listener of the same event
    const look = () => setTimeout(() => {
      const lost = Boolean(el.closest(".jupyter-widgets-disconnected"));
      if (lost === Boolean(shown)) return;
      shown?.remove();
      shown = lost ? notice(el) : null;
      if (shown) el.append(shown);
      el.closest(".rs-panel")?.classList.toggle("rs-is-lost", lost);
    });
    model.on("comm_live_update", look);
    return () => model.off("comm_live_update", look);
  },
};
