
// -- the page: poses, amount, layouts, findings and notes -----------------------------------------

const all = (selector) => [...document.querySelectorAll(selector)];
const one = (selector) => document.querySelector(selector);
const state = { pose: 0, amount: 1, arrangement: "side", mark: -1, notes: [], plays: false };

async function unfold(text) {
  const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return unpack(new Uint8Array(await new Response(stream).arrayBuffer()));
}

async function openCreature() {
  const told = JSON.parse(one("#creature-data").textContent);
  const renderer = rendererName();
  if (!renderer || !globalThis.DecompressionStream) throw new Error("this browser does not draw");
  const [creature, ...layouts] = await Promise.all([told.creature, ...told.layouts].map(unfold));
  layouts.forEach((layout, i) => Object.assign(layout.facts, { method: told.method, name: told.names[i] }));
  const view = new CreatureView(one("#stage"), {
    creature, layouts, wheel: "focused", ...(isSoftware(renderer) ? { smooth: false, dense: 1 } : {}),
    on: {
      pick: (found) => found?.kind === "mark" && chooseMark(view, told, view.marks[found.index].place),
      camera: () => describe(told, view),
    },
  });
  const stepsOf = async (packed) => (await Promise.all(packed.map(unfold))).map((each) => new Steps(each));
  const poses = await Promise.all(told.poses.map(async (pose) =>
    ({ ...pose, steps: await stepsOf(pose.steps) })));
  const seats = await Promise.all(told.seats.map((text) => unfold(text || told.seats[0])));
  seats.forEach((each, i) => view.layouts[i].lieOn(each));
  const told2 = { ...told, poses, rest: await stepsOf(told.rest) };
  view.show({ controls: false, named: "body" });
  wire(view, told2);
  const kept = JSON.parse(one("#kept").textContent || "[]");
  state.notes = kept.notes ?? [];
  choosePose(view, told2, poses.length && !poses[0].seconds ? 1 : 0, 1);
  view.camera.set({ azimuth: 50, elevation: 14 });
  view.fit(0.9);
  if (kept.seen) openSeen(view, told2, kept.seen);
  showNotes(view, told2);
  view.draw();
  document.documentElement.dataset.draws = "yes";
  return view;
}

const poseOf = (told) => (state.pose ? told.poses[state.pose - 1] : null);

/** Take a pose, or a motion at a share of its loop. */
function choosePose(view, told, number, share) {
  state.pose = number;
  state.mark = -1;
  state.plays = false;
  all("[data-pose]").forEach((button, i) => {
    button.setAttribute("aria-pressed", String(i === number));
    button.classList.remove("plays");
  });
  const slider = one("#amount");
  one("#amount-of").textContent = poseOf(told)?.seconds ? "time" : "amount";
  slider.disabled = !number;
  slider.value = number ? share : 0;
  showAmount(view, told, share);
}

function showAmount(view, told, share) {
  state.amount = share;
  const pose = poseOf(told);
  const amount = !pose ? 0 : pose.seconds ? share : pose.low + share * (pose.high - pose.low);
  const steps = pose?.steps ?? told.rest;
  view.layouts.forEach((_, i) => view.setPose(i, steps[i].at(amount), steps[i].pressed));
  one("#amount-told").textContent = amountWords(told);
  showMarks(view, told);
  describe(told, view);
}

function amountWords(told) {
  const pose = poseOf(told);
  if (!pose) return "";
  const amount = amountOf(told);
  if (pose.seconds) return `${amount.toFixed(2)} s`;
  return pose.share ? `${Math.round(100 * state.amount)} %` : `${+amount.toFixed(pose.unit === "°" ? 0 : 2)}${pose.unit}`;
}

function amountOf(told) {
  const pose = poseOf(told);
  return pose ? pose.low + state.amount * (pose.high - pose.low) : 0;
}

// -- motions --

/** A press on a motion plays it, and the next one pauses it. */
function press(view, told, number) {
  const again = number === state.pose, motion = told.poses[number - 1];
  if (!motion?.seconds) choosePose(view, told, number, 1);
  else if (again) play(view, told, !state.plays);
  else {
    choosePose(view, told, number, 0);
    view.fit(0.72); // room for what it does
    play(view, told, true);
  }
}

function play(view, told, on) {
  state.plays = on;
  all("[data-pose]").forEach((button, i) => button.classList.toggle("plays", on && i === state.pose));
  if (!on) {
    showAmount(view, told, state.amount);
    return;
  }
  let last = null;
  const go = (now) => {
    if (!state.plays) return;
    const gone = last === null ? 0 : Math.min((now - last) / 1000, 0.5);
    last = now;
    const share = (state.amount + gone / poseOf(told).seconds) % 1;
    one("#amount").value = share;
    showAmount(view, told, share);
    requestAnimationFrame(go);
  };
  requestAnimationFrame(go);
}

// -- findings: marks on the skin, and the list --

function showMarks(view, told) {
  const pose = poseOf(told);
  view.marks = told.marks.map((mark, place) => ({ ...mark, place, chosen: place === state.mark }))
    .filter((mark) => pose && mark.pose === pose.name && state.amount > 0.5);
  view.ask();
}

function chooseMark(view, told, place) {
  const mark = told.marks[place], number = told.poses.findIndex(({ name }) => name === mark.pose);
  if (number >= 0 && state.pose !== number + 1) choosePose(view, told, number + 1, 1);
  state.mark = place;
  showMarks(view, told);
  all("[data-mark]").forEach((item) => item.classList.toggle("chosen", Number(item.dataset.mark) === place));
}

/** Stand before a mark: where the skin there faces. */
function standBefore(view, told, place) {
  chooseMark(view, told, place);
  const mark = told.marks[place], skin = view.layouts[mark.layout].readBack(mark.vertex, 1);
  const u = view.camera.upright, n = [3, 4, 5].map((k) => skin[k]);
  const [x, y, z] = [0, 1, 2].map((r) => n[0] * u[3 * r] + n[1] * u[3 * r + 1] + n[2] * u[3 * r + 2]);
  const steep = (Math.asin(Math.min(Math.max(y, -1), 1)) * 180) / Math.PI;
  view.camera.set({
    azimuth: (Math.atan2(x, z) * 180) / Math.PI, elevation: Math.min(Math.max(steep, -10), 55),
    focus: [...skin.subarray(0, 3)], distance: 1.5,
  });
  view.ask();
  describe(told, view);
  one("#stage").scrollIntoView({ block: "center", behavior: "smooth" });
}

// -- what is seen, in words and numbers --

const named = (text) => encodeURIComponent(text).replace(/'/g, "%27");

function seenText(told, view) {
  const pose = poseOf(told), loops = Boolean(pose?.seconds), { azimuth, elevation, focus, distance } = view.camera.told;
  const what = pose ? `${pose.words} at ${amountWords(told)}` : "rest";
  const how = elevation < 0 ? "down" : "up";
  const words = `${what}, seen from ${azimuth.toFixed(0)}° round and ${Math.abs(elevation).toFixed(0)}° ${how}`;
  const numbers = [
    loops ? `motion=${named(pose.name)}` : `pose=${named(pose?.name ?? "rest")}`,
    pose && `${loops ? "moment" : "amount"}=${+amountOf(told).toFixed(4)}`,
    `azimuth=${azimuth.toFixed(2)}`, `elevation=${elevation.toFixed(2)}`,
    `focus=${focus.map((value) => value.toFixed(5)).join(",")}`, `away=${distance.toFixed(5)}`,
    `layout=${named(told.names[0])}`,
  ];
  return `${words} {ribbonsim view 1: ${numbers.filter(Boolean).join(" ")}}`;
}

function openSeen(view, told, text) {
  const inside = text.match(/\{ribbonsim view 1: ([^{}]*)\}/);
  if (!inside) return;
  const pairs = Object.fromEntries(inside[1].split(" ").map((pair) => pair.split("=")));
  const wanted = decodeURIComponent(pairs.motion ?? pairs.pose);
  const number = told.poses.findIndex(({ name, seconds }) => name === wanted && Boolean(seconds) === "motion" in pairs);
  const pose = told.poses[number], amount = pairs.moment ?? pairs.amount;
  choosePose(view, told, number + 1, pose ? (amount - pose.low) / (pose.high - pose.low || 1) : 0);
  view.setCamera({
    azimuth: +pairs.azimuth, elevation: +pairs.elevation, focus: pairs.focus.split(",").map(Number),
    distance: +pairs.away,
  });
}

function describe(told, view) {
  const words = seenText(told, view).replace(/ \{.*/, "");
  one("#seen").textContent = `${words[0].toUpperCase()}${words.slice(1)}.`;
  one("#stage").setAttribute("aria-label", `The creature: ${words}. Arrow keys go round it.`);
}

// -- notes --

function showNotes(view, told) {
  const list = one("#notes-kept");
  list.replaceChildren(...state.notes.map((note, i) => {
    const item = document.createElement("li");
    const words = Object.assign(document.createElement("p"), { textContent: note.words });
    const seen = Object.assign(document.createElement("code"), { textContent: note.seen });
    const open = Object.assign(document.createElement("button"), { type: "button", textContent: "Look from there" });
    const drop = Object.assign(document.createElement("button"), { type: "button", textContent: "Remove" });
    open.addEventListener("click", () => openSeen(view, told, note.seen));
    drop.addEventListener("click", () => { state.notes.splice(i, 1); showNotes(view, told); });
    item.append(words, seen, open, drop);
    return item;
  }));
  one("#notes-do").hidden = !state.notes.length;
}

function keepNote(view, told) {
  const box = one("#note"), words = box.value.trim();
  if (!words) {
    box.focus();
    return;
  }
  state.notes.push({ words, seen: seenText(told, view) });
  box.value = "";
  showNotes(view, told);
}

const notesText = () => state.notes.map(({ words, seen }) => `${words}\n${seen}`).join("\n\n");

async function copyNotes() {
  const text = notesText(), box = one("#notes-text");
  box.value = text;
  box.hidden = false;
  box.select();
  try {
    await navigator.clipboard.writeText(text);
    one("#notes-said").textContent = "Copied: paste it into a message.";
  } catch {
    one("#notes-said").textContent = "Press Ctrl+C to copy what is marked.";
  }
}

/** The whole page as a file, with what was written and where she stood. */
function savePage(view, told) {
  const keep = JSON.stringify({ notes: state.notes, seen: seenText(told, view) });
  all("input").forEach((input) => {
    if (input.type === "radio") input.toggleAttribute("checked", input.checked);
    else if (input.type === "text") input.setAttribute("value", input.value);
  });
  const copy = document.documentElement.cloneNode(true);
  delete copy.dataset.draws;
  copy.querySelectorAll("#stage canvas").forEach((canvas) => canvas.remove());
  copy.querySelector("#kept").textContent = keep.replace(/</g, "\\u003c");
  const file = new Blob([`<!doctype html>\n${copy.outerHTML}`], { type: "text/html" });
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = `${document.title.replace(/[^\p{L}\p{N} ._-]+/gu, " ").trim()}, with notes.html`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}

// -- buttons --

function wire(view, told) {
  const hear = (selector, act) =>
    all(selector).forEach((button, i) => button.addEventListener("click", () => act(button, i)));
  hear("[data-pose]", (_, i) => press(view, told, i));
  hear("[data-arrange]", (button) => {
    view.arrange(button.dataset.arrange);
    all("[data-arrange]").forEach((other) => other.setAttribute("aria-pressed", String(other === button)));
    view.fit(0.9);
  });
  hear("[data-show]", (button) => {
    const on = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(on));
    view.show({ [button.dataset.show]: on });
  });
  hear("[data-see]", () => view.fit(0.9));
  hear("[data-mark] button", (button) => standBefore(view, told, Number(button.parentElement.dataset.mark)));
  one("#amount").addEventListener("input", (event) => {
    if (state.plays) play(view, told, false);
    showAmount(view, told, Number(event.target.value));
  });
  hear("#keep-note", () => keepNote(view, told));
  hear("#copy-notes", copyNotes);
  hear("#save-page", () => savePage(view, told));
}

globalThis.opened = openCreature().then((view) => (globalThis.creatureView = view), (error) => {
  document.documentElement.dataset.draws = "no";
  globalThis.whyNot = String(error);
});
