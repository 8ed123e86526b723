// The places on the photograph: chosen, dragged, nudged, taken back. The browser owns what the person set; the server's
// points are taken over only when their revision is another, or when the server knows all that was sent. Everything set leaves as one value with a counter.
const SHAPES = { // 44 x 44, the place itself is the free middle
  nock: "M5 13 L17 22 L5 31 Z M39 13 L27 22 L39 31 Z",
  handle: "M8 16 V8 H16 M28 8 H36 V16 M36 28 V36 H28 M16 36 H8 V28",
  hook: "M33 5 V22 A11 11 0 1 1 11 22",
  mark: "M22 4 V16 M22 28 V40 M4 22 H16 M28 22 H40",
  edge: "M8 14 H36 M14 8 V14 M30 8 V14 M8 30 H36 M14 30 V36 M30 30 V36",
};
const REACH = 24, STILL = 5, PAUSE_MS = 400, LOUPE_MS = 1500, LOST_MS = 3000; // CSS pixels, milliseconds
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function drawing(role) {
  const make = (tag, set) => {
    const e = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(set)) e.setAttribute(name, value);
    return e;
  };
  const svg = make("svg", { viewBox: "0 0 44 44", class: `shape ${role}`, "aria-hidden": "true" });
  svg.append(make("path", { class: "halo", d: SHAPES[role] }), make("path", { class: "ink", d: SHAPES[role] }),
    make("circle", { class: "dot", cx: 22, cy: 22, r: 1.6 }));
  return svg;
}

function makeBoard(root) {
  const part = (name) => root.querySelector(`.${name}`);
  const stage = part("stage"), holder = part("spots"), chips = part("chips"), say = part("say"), loupe = part("loupe");
  const board = { rev: -1, seq: 0, send: () => {} };
  const spots = new Map(), buttons = new Map(), fingers = new Map();
  let places = [], points = {}, kept = {}, past = [], future = [], chosen = null, sent = null, since = 0, resent = null;
  let focus = null;
  let held = null, from = null, moved = false, spread = 0, nudging = 0, fading = 0, armed = false;
  const view = makeView(stage, part("picture"), () => { arrange(); if (!loupe.hidden) showLoupe(); });

  const known = (id) => places.find((p) => p.id === id);
  const at = (id) => points[id] || (known(id) || {}).found || null;
  const label = (id) => known(id).label;
  const round = ([x, y]) => [Math.round(x * 100) / 100, Math.round(y * 100) / 100];
  const here = (e) => { const r = stage.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };
  const same = (a, b) => JSON.stringify(Object.entries(a).sort()) === JSON.stringify(Object.entries(b).sort());
  const where = (id) => `${Math.round(at(id)[0])} across, ${Math.round(at(id)[1])} down`;
  const standing = (id) => (points[id] ? (known(id).role === "mark" ? "set" : "yours") : at(id) ? "found" : extra(id) ? "none" : "missing");
  const extra = (id) => known(id).role === "edge"; // never asked for, so a tap sets one only where it was chosen first
  const removable = (id) => known(id).role === "mark" || extra(id);
  const wanting = () => (places.find((p) => !at(p.id) && !extra(p.id)) || { id: null }).id;

  // --- what leaves and comes

  function commit(text) {
    clearTimeout(nudging);
    nudging = 0;
    if (same(points, kept)) return refresh();
    past.push(kept);
    future = [];
    depart(text);
  }
  function depart(text) {
    kept = { ...points };
    board.seq += 1;
    sent = board.seq;
    since = Date.now();
    view.faded = true;
    say.textContent = text;
    refresh();
    board.send(message());
  }
  const message = () => ({ rev: board.rev, seq: board.seq, points: { ...kept } });
  function turn(back, ahead, text) {
    if (nudging) commit("");
    if (!back.length) return;
    ahead.push(kept);
    points = { ...back.pop() };
    depart(text);
  }
  const undo = () => turn(past, future, "Taken back.");
  const redo = () => turn(future, past, "Done again.");
  function release(id) { // back to what was found; a mark is taken away
    if (!id || !points[id]) return;
    delete points[id];
    commit(removable(id) ? `${label(id)} taken away.` : `${label(id)}: back to what was found.`);
  }
  function releaseAll() {
    for (const { id, role } of places) if (role !== "mark") delete points[id];
    commit("All back to what was found.");
  }
  function put(id, place) {
    points[id] = round(view.inside(place));
    commit(`${label(id)} set.`);
    choose(wanting() || id);
  }

  board.take = (data) => {
    places = data.places;
    const heard = data.seq >= board.seq; // the server knows all that was sent
    if (data.rev !== board.rev || (heard && !held && !nudging && !same(kept, data.points))) {
      Object.assign(board, { rev: data.rev, seq: Math.max(board.seq, data.seq) });
      points = { ...data.points };
      kept = { ...points };
      [past, future, chosen, sent] = [[], [], null, null];
    } else if (!heard && resent !== board.seq && (sent === null || Date.now() - since > LOST_MS)) {
      resent = sent = board.seq; // after a break the server has forgotten or never heard: told once again
      setTimeout(() => board.send(message()));
    }
    if (sent !== null && heard) {
      sent = null;
      say.textContent = "";
    }
    view.faded = sent !== null;
    if (!known(chosen)) chosen = wanting();
    for (const [map, row] of [[spots, holder], [buttons, chips]]) {
      for (const [id, e] of map) if (!known(id)) { e.remove(); map.delete(id); }
      for (const place of places) {
        if (map.has(place.id)) continue;
        const e = document.createElement("button");
        e.type = "button";
        e.append(drawing(place.role), document.createElement("span"));
        map.set(place.id, e);
        if (map === spots) dress(place.id, e);
        else e.onclick = (event) => pick(place.id, event.detail === 0);
      }
      const wanted = places.map(({ id }) => map.get(id));
      if (wanted.some((e, i) => row.children[i] !== e)) row.replaceChildren(...wanted); // else focus would be lost
    }
    view.take(data);
    if (data.focus && data.focus.mark !== focus && !held) {
      if (known(data.focus.id)) chosen = data.focus.id;
      view.look(data.focus.stretch.length ? data.focus.stretch : [data.focus.at]);
    }
    focus = data.focus ? data.focus.mark : null;
    view.fetchAround(places.map((p) => at(p.id)).filter(Boolean));
    refresh();
  };

  // --- how it looks

  function refresh() {
    for (const place of places) {
      const state = standing(place.id), chip = buttons.get(place.id), spot = spots.get(place.id);
      chip.lastChild.textContent = `${place.label}: ${state}`;
      chip.setAttribute("aria-pressed", String(place.id === chosen));
      chip.dataset.state = state;
      spot.hidden = !at(place.id);
      spot.dataset.state = state;
      spot.classList.toggle("chosen", place.id === chosen);
      spot.lastChild.textContent = state === "yours" ? `${place.label}, yours` : place.label;
      if (!spot.hidden) spot.setAttribute("aria-label", `${place.label}, ${state}, ${where(place.id)}. Arrow keys move it.`);
    }
    const set = chosen && points[chosen], away = chosen && removable(chosen);
    part("back").textContent = away ? `Take this ${extra(chosen) ? "place" : "mark"} away` : "Back to what was found";
    part("back").disabled = !set;
    part("backall").disabled = !places.some(({ id, role }) => role !== "mark" && points[id]);
    part("undo").disabled = !past.length;
    part("redo").disabled = !future.length;
    part("lines").setAttribute("aria-pressed", String(view.lines));
    part("hint").textContent = view.missing
      ? "The photograph could not be fetched. Load the page again."
      : !chosen ? "Drag a point that is off, or choose one below."
        : at(chosen) ? `${label(chosen)}: drag it, or nudge it with the arrow keys, ten pixels with Shift.`
          : `Tap the picture where this is: ${label(chosen)}.`;
    root.classList.toggle("busy", sent !== null);
    part("work").textContent = sent !== null ? "Working it out anew …" : "";
    view.draw();
  }

  function arrange() {
    const [w] = view.size();
    for (const { id } of places) {
      const spot = spots.get(id), place = at(id);
      if (!place) continue;
      const [sx, sy] = view.toStage(place);
      spot.style.transform = `translate(${sx - 22}px, ${sy - 22}px)`;
      spot.classList.toggle("leftward", sx > 0.6 * w);
    }
    part("farther").disabled = part("whole").disabled = view.isWhole();
  }

  function showLoupe() {
    const id = held || chosen;
    if (!id || !at(id)) return hideLoupe();
    loupe.hidden = false;
    const [sx, sy] = view.toStage(at(id)), [w, h] = view.size(), size = loupe.offsetWidth;
    const left = sx < w / 2 ? sx + 46 : sx - 46 - size; // beside the finger, toward the middle
    loupe.style.left = `${Math.min(Math.max(left, 4), w - size - 4)}px`;
    loupe.style.top = `${Math.min(Math.max(sy - 0.75 * size, 4), Math.max(4, h - size - 4))}px`;
    view.paintLoupe(loupe, at(id));
  }
  function hideLoupe() { loupe.hidden = true; }

  // --- choosing and keys

  function choose(id) { chosen = id; refresh(); }

  function pick(id, byKey) {
    choose(id);
    const [w, h] = view.size();
    if (at(id)) {
      view.reveal(at(id));
      if (byKey) spots.get(id).focus({ preventScroll: true });
    } else if (byKey) { // no finger to show the place: the middle of what is seen, to be nudged from there
      put(id, view.toPhoto([w / 2, h / 2]));
      choose(id);
      spots.get(id).focus({ preventScroll: true });
    }
  }

  function dress(id, spot) {
    spot.className = "spot";
    spot.dataset.role = known(id).role;
    spot.onfocus = () => { if (!held) { choose(id); if (spot.matches(":focus-visible")) view.reveal(at(id)); } };
    spot.onkeydown = (e) => {
      const step = STEPS[e.key];
      if (step && !e.ctrlKey && !e.metaKey && !e.altKey) {
        const far = e.shiftKey ? 10 : 1, [x, y] = at(id);
        points[id] = round(view.inside([x + far * step[0], y + far * step[1]]));
        clearTimeout(nudging);
        nudging = setTimeout(() => commit(`${label(id)} at ${where(id)}.`), PAUSE_MS);
        clearTimeout(fading);
        fading = setTimeout(hideLoupe, LOUPE_MS);
        refresh();
        view.reveal(at(id));
        showLoupe();
      } else if (e.key === "Delete" || e.key === "Backspace") {
        release(id);
        if (!at(id)) buttons.get(id).focus();
      } else return;
      e.preventDefault();
      e.stopPropagation();
    };
  }

  root.onkeydown = (e) => {
    const key = e.key.toLowerCase(), control = e.ctrlKey || e.metaKey;
    if (control && key === "z") (e.shiftKey ? redo : undo)();
    else if (control && key === "y") redo();
    else if (!control && key === "+") view.zoom(1.5, chosen && at(chosen) ? view.toStage(at(chosen)) : undefined);
    else if (!control && key === "-") view.zoom(1 / 1.5);
    else if (!control && key === "0") view.showWhole();
    else return;
    e.preventDefault();
    e.stopPropagation();
  };

  // --- fingers and mouse

  function nearest([sx, sy]) {
    let best = null, least = REACH;
    for (const { id } of places) {
      if (!at(id)) continue;
      const [px, py] = view.toStage(at(id)), far = Math.hypot(px - sx, py - sy) - (id === chosen ? 12 : 0);
      if (far < least) [best, least] = [id, far];
    }
    return best;
  }
  function letGo() { // the finger was lifted elsewhere, or a second one came down
    if (held && moved) points = { ...kept };
    held = null;
    hideLoupe();
    refresh();
  }

  stage.onpointerdown = (e) => {
    if (e.button !== 0) return;
    e.preventDefault();
    if (nudging) commit("");
    stage.setPointerCapture(e.pointerId);
    fingers.set(e.pointerId, here(e));
    spread = 0;
    if (fingers.size > 1) {
      letGo();
      moved = true;
      return;
    }
    moved = false;
    held = nearest(here(e));
    from = held && { finger: here(e), place: view.toStage(at(held)) };
    if (!held) return;
    choose(held);
    spots.get(held).focus({ preventScroll: true });
    clearTimeout(fading);
    showLoupe();
  };
  stage.onpointermove = (e) => {
    armed = true;
    const last = fingers.get(e.pointerId);
    if (!last) return;
    const now = here(e);
    if (fingers.size === 2) {
      const before = [...fingers.values()];
      fingers.set(e.pointerId, now);
      const [a, b] = [...fingers.values()], middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
      const far = Math.hypot(a[0] - b[0], a[1] - b[1]);
      view.pan(middle[0] - (before[0][0] + before[1][0]) / 2, middle[1] - (before[0][1] + before[1][1]) / 2);
      if (spread) view.zoom(far / spread, middle);
      spread = far;
      return;
    }
    if (!moved && Math.hypot(now[0] - last[0], now[1] - last[1]) < (held ? 2 : STILL)) return;
    moved = true;
    fingers.set(e.pointerId, now);
    if (!held) return view.pan(now[0] - last[0], now[1] - last[1]);
    points[held] = round(view.toPhoto([from.place[0] + now[0] - from.finger[0], from.place[1] + now[1] - from.finger[1]]));
    showLoupe();
    view.draw();
  };
  stage.onpointerup = stage.onpointercancel = (e) => {
    const last = fingers.get(e.pointerId);
    fingers.delete(e.pointerId);
    if (!last) return;
    if (e.type === "pointercancel") return letGo();
    hideLoupe();
    if (held && moved) {
      const id = held;
      held = null;
      commit(`${label(id)} moved.`);
    } else if (!held && !moved && chosen && !at(chosen)) {
      put(chosen, view.toPhoto(last));
    }
    held = null;
  };
  // two fingers are ours even where one may scroll the page
  stage.addEventListener("touchstart", (e) => { if (e.touches.length > 1 || nearest(here(e.touches[0]))) e.preventDefault(); },
    { passive: false });
  // a page that is being scrolled past the picture must not catch on it
  stage.addEventListener("wheel", (e) => {
    if (!armed || (view.isWhole() && e.deltaY > 0)) return;
    e.preventDefault();
    view.zoom(Math.exp(-e.deltaY / 400), here(e));
  }, { passive: false });
  stage.onpointerleave = () => { armed = false; };

  for (const [name, act] of Object.entries({
    closer: () => view.zoom(2, chosen && at(chosen) ? view.toStage(at(chosen)) : undefined),
    farther: () => view.zoom(0.5),
    whole: () => view.showWhole(),
    lines: () => { view.lines = !view.lines; refresh(); },
    undo, redo, back: () => release(chosen), backall: releaseAll,
  })) part(name).onclick = act;
  return board;
}

const boards = new WeakMap();

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  const root = parentElement.querySelector(".editor");
  let board = boards.get(root);
  if (!board) boards.set(root, (board = makeBoard(root)));
  board.send = (value) => setStateValue("placed", value);
  board.take(data);
}
