// Shows the panel of a notebook as a page: runs its cells, folds what is not the panel, and takes
// Ctrl+Z and Ctrl+Shift+Z to the panel's own steps. JupyterLab loads this file as a federated
// extension; only `ribbonsim notebook` names the folder that it is in.
(function () {
  "use strict";
  const NAME = "ribbonsim-page";
  const KEY = "ribbonsim";
  const CSS = `
    .rs-page-on .jp-NotebookPanel-toolbar, .rs-page-on .jp-Notebook-footer,
    .rs-page-on .jp-MarkdownCell, .rs-page-on .jp-InputArea, .rs-page-on .jp-Cell-inputWrapper,
    .rs-page-on .jp-OutputPrompt, .rs-page-on .jp-OutputCollapser, .rs-page-on .jp-Collapser,
    .rs-page-on .jp-cell-toolbar, .rs-page-on .jp-OutputArea-promptOverlay,
    .rs-page-on .jp-Cell:not(:has(.rs-panel, .rs-still, .jp-RenderedText)) { display: none !important; }
    .rs-page-on .jp-WindowedPanel-outer, .rs-page-on .jp-WindowedPanel-viewport,
    .rs-page-on .jp-Notebook, .rs-page-on .jp-Cell, .rs-page-on .jp-Cell-outputWrapper,
    .rs-page-on .jp-OutputArea-output { padding: 0 !important; margin: 0 !important; }
    .rs-page-on .jp-Cell { border: 0 !important; }
    .rs-page-on .rs-panel { --rs-chrome: 0px; border: 0; border-radius: 0; min-height: 100vh; }
    .rs-page-body .Toastify { display: none; }
    .rs-page-switch { position: absolute; z-index: 20; right: 12px; top: 63px; opacity: 0.75;
      font: 12px sans-serif; padding: 3px 10px; border: 1px solid #8a949c; border-radius: 3px;
      background: var(--jp-layout-color1, #fff); color: var(--jp-ui-font-color1, #1d2730);
      cursor: pointer; }
    @media (max-width: 700px) { .rs-page-switch { top: 37px; } }
    @media (max-width: 380px) { .rs-page-switch { display: none; } }
    .rs-page-switch:hover, .rs-page-switch:focus-visible { opacity: 1; outline: 2px solid #0f6a73; }
  `;

  let shared = null;

  async function sharedModule(name) {
    const versions = shared[name] || {};
    const newest = Object.values(versions)[0];
    return (await newest.get())();
  }

  function addStyle() {
    const style = document.createElement("style");
    style.textContent = CSS;
    document.head.appendChild(style);
  }

  function fold(shell, folded) {
    for (const area of ["top", "menu", "header", "bottom"]) {
      for (const widget of shell.widgets(area)) {
        if (folded) widget.hide(); else widget.show();
      }
    }
    for (const node of document.querySelectorAll("#jp-top-panel, #jp-menu-panel, #jp-bottom-panel")) {
      node.style.minHeight = folded ? "0" : "";
    }
    for (const side of ["left", "right"]) {
      if (shell.isSideTabBarVisible && shell.isSideTabBarVisible(side) === folded) {
        shell.toggleSideTabBarVisibility(side);
      }
    }
    document.body.classList.toggle("rs-page-body", folded);
    if (folded && shell.collapseLeft) { shell.collapseLeft(); shell.collapseRight(); }
    if (shell.fit) shell.fit();
    window.dispatchEvent(new Event("resize"));
  }

  function showPage(app, panel, on) {
    panel.node.classList.toggle("rs-page-on", on);
    if (on) panel.toolbar.hide(); else panel.toolbar.show();
    fold(app.shell, on);
  }

  function addSwitch(app, panel) {
    const button = document.createElement("button");
    button.className = "rs-page-switch";
    let on = true;
    const label = () => { button.textContent = on ? "Show the notebook" : "Show the panel alone"; };
    button.addEventListener("click", () => { on = !on; showPage(app, panel, on); label(); });
    label();
    panel.node.appendChild(button);
  }

  function writes(target) {
    if (target.tagName === "TEXTAREA" || target.isContentEditable) return true;
    return target.tagName === "INPUT" && target.type !== "range" && target.type !== "checkbox";
  }

  // the panel under the pointer or with the focus, else the only one on the page
  function panelFor(target) {
    const all = document.querySelectorAll(".rs-panel");
    return target.closest(".rs-panel") || document.querySelector(".rs-panel:hover") ||
      (all.length === 1 && document.querySelector(".rs-page-on") ? all[0] : null);
  }

  function stepByKey(event) {
    const key = event.key.toLowerCase();
    if (!(event.ctrlKey || event.metaKey) || event.altKey || (key !== "z" && key !== "y")) return;
    const target = event.target instanceof Element ? event.target : document.body;
    const panel = panelFor(target);
    if (!panel || writes(target)) return;
    const forward = key === "y" || event.shiftKey;
    const button = panel.querySelector(forward ? ".rs-redo" : ".rs-undo");
    event.preventDefault();
    event.stopImmediatePropagation();
    if (button && !button.disabled) button.click();
  }

  async function present(app, notebook, panel) {
    await panel.context.ready;
    const flags = panel.content.model.sharedModel.getMetadata(KEY);
    if (!flags || !flags.page) return;
    showPage(app, panel, true);
    addSwitch(app, panel);
    await panel.sessionContext.ready;
    const kernel = panel.sessionContext.session && panel.sessionContext.session.kernel;
    if (kernel) await kernel.info;
    await notebook.NotebookActions.runAll(panel.content, panel.sessionContext);
  }

  async function extension() {
    const notebook = await sharedModule("@jupyterlab/notebook");
    const plugin = {
      id: `${NAME}:plugin`,
      autoStart: true,
      requires: [notebook.INotebookTracker],
      activate: (app, tracker) => {
        addStyle();
        window.addEventListener("keydown", stepByKey, true);
        const open = (panel) => present(app, notebook, panel).catch((error) => console.error(error));
        tracker.forEach(open);
        tracker.widgetAdded.connect((_, panel) => { open(panel); });
      },
    };
    return () => ({ __esModule: true, default: plugin });
  }

  window._JUPYTERLAB = window._JUPYTERLAB || {};
  window._JUPYTERLAB[NAME] = {
    init: (scope) => { shared = scope; },
    get: () => extension(),
  };
})();
