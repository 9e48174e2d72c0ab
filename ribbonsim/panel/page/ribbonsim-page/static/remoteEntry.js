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
    @media (max-width: 700px) { .rs-page-switch { display: none; } }
    .rs-page-switch:hover, .rs-page-switch:focus-visible { opacity: 1; outline: 2px solid #0f6a73; }
  `;
  const FIRST_CSS = `
    .rs-first { --rs-k: 1; --rs-ground: #f5f6f6; --rs-ink: #55626d; position: fixed; inset: 0;
      z-index: 10000; background: var(--rs-ground); color: var(--rs-ink); padding: 11px;
      box-sizing: border-box; font: calc(13px * var(--rs-k))/1.4 system-ui, sans-serif; }
    .rs-first.rs-dark { --rs-ground: #1f2529; --rs-ink: #a3afb8; }
    .rs-first b { font-weight: 600; }
    .rs-first img { position: absolute; left: 11px; top: 116px; object-fit: contain;
      width: calc(100% - 34px - max(340px, clamp(392px, 24vw, 470px) * var(--rs-k)));
      height: calc(100% - 310px * var(--rs-k)); border-radius: 4px; }
    @media (min-width: 3200px) { .rs-first { --rs-k: 1.5; } }
    @media (max-width: 860px) { .rs-first img { width: calc(100% - 22px); height: auto; } }
  `;
  const DARK = "ribbonsim-dark";  // whether the theme was a dark one the last time
  const PATIENCE = 120000;

  let shared = null;

  // The creature that is being opened, until the panel itself shows it.
  async function showFirst() {
    const told = document.getElementById("jupyter-config-data");
    if (!told || !location.pathname.includes("/doc/workspaces/ribbonsim/")) return;
    const answer = await fetch(JSON.parse(told.textContent).baseUrl + "ribbonsim/first");
    if (answer.status !== 200) return;
    const whole = new Uint8Array(await answer.arrayBuffer()), end = whole.indexOf(10);
    const head = JSON.parse(new TextDecoder().decode(whole.subarray(0, end)));
    const picture = document.createElement("img");
    picture.src = URL.createObjectURL(new Blob([whole.subarray(end + 1)], { type: "image/jpeg" }));
    await picture.decode();
    if (!wanted || shown()) return;
    const cover = document.createElement("div"), name = document.createElement("b");
    name.textContent = head.name;
    picture.alt = `${head.name}, at rest`;
    picture.style.background = `linear-gradient(${head.ground.join(", ")})`;
    cover.className = "rs-first" + (localStorage.getItem(DARK) ? " rs-dark" : "");
    addStyle(FIRST_CSS);
    cover.append(name, " is read; the panel is on its way …", picture);
    document.body.append(cover);
    uncover = () => {
      window.clearInterval(looks);
      cover.remove();
      URL.revokeObjectURL(picture.src);
      uncover = () => {};
    };
    const looks = window.setInterval(() => { if (shown()) uncover(); }, 40);
    window.setTimeout(() => uncover(), PATIENCE);
    cover.addEventListener("pointerdown", () => uncover());
  }
  let wanted = true, uncover = () => {};

  // whether the panel shows a creature, or something went wrong on the way
  function shown() {
    const picture = document.querySelector(".rs-panel img.rs-picture");
    return (picture && picture.naturalWidth > 90) || document.querySelector(
      ".rs-panel .rs-wrong, .jp-OutputArea-output[data-mime-type*='error']");
  }

  async function sharedModule(name) {
    const versions = shared[name] || {};
    const newest = Object.values(versions)[0];
    return (await newest.get())();
  }

  function addStyle(css) {
    const style = document.createElement("style");
    style.textContent = css;
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
    if (!flags || !flags.page) { wanted = false; uncover(); return; }
    localStorage.setItem(DARK, document.body.dataset.jpThemeLight === "false" ? "yes" : "");
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
        addStyle(CSS);
        window.addEventListener("keydown", stepByKey, true);
        const open = (panel) => present(app, notebook, panel).catch((error) => console.error(error));
        tracker.forEach(open);
        tracker.widgetAdded.connect((_, panel) => { open(panel); });
      },
    };
    return () => ({ __esModule: true, default: plugin });
  }

  showFirst().catch((error) => console.warn("the first picture is left out:", error));
  window._JUPYTERLAB = window._JUPYTERLAB || {};
  window._JUPYTERLAB[NAME] = {
    init: (scope) => { shared = scope; },
    get: () => extension(),
  };
})();
