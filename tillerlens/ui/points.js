// Places on a photograph: tap to set the chosen one, drag to move it, wheel or two fingers to enlarge.
// The browser owns the points; those from the server are taken over only when their revision grows.
// All places are kept in pixels of the upright full-size photograph, (0, 0) = centre of its top-left pixel.
const boards = new WeakMap();

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  const root = parentElement.querySelector(".places");
  let board = boards.get(root);
  if (!board) {
    board = makeBoard(root);
    boards.set(root, board);
  }
  board.send = (points) => setStateValue("placed", { rev: board.rev, points });
  board.take(data);
}

function makeBoard(root) {
  const view = root.querySelector(".view"), sheet = root.querySelector(".sheet");
  const image = root.querySelector("img"), chips = root.querySelector(".chips");
  const board = { rev: -1, points: {}, names: [], chosen: null, scale: 1, x: 0, y: 0, send: () => {} };
  const fingers = new Map();
  let moved = 0, held = null, spread = 0;

  const fit = () => view.clientWidth / board.width; // screen pixels per photograph pixel when not enlarged
  const toScreen = ([px, py]) => [
    (px + 0.5) * fit() * board.scale + board.x, (py + 0.5) * fit() * board.scale + board.y];
  const toPhoto = (sx, sy) => {
    const k = fit() * board.scale;
    return [Math.min(Math.max((sx - board.x) / k - 0.5, -0.5), board.width - 0.5),
            Math.min(Math.max((sy - board.y) / k - 0.5, -0.5), board.height - 0.5)];
  };
  const place = (e) => { const r = view.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };

  function clamp() {
    board.scale = Math.min(Math.max(board.scale, 1), 24);
    board.x = Math.min(0, Math.max(view.clientWidth * (1 - board.scale), board.x));
    board.y = Math.min(0, Math.max(view.clientHeight * (1 - board.scale), board.y));
  }

  function zoom(factor, sx, sy) {
    const before = board.scale;
    board.scale = Math.min(Math.max(before * factor, 1), 24);
    const k = board.scale / before;
    board.x = sx - (sx - board.x) * k;
    board.y = sy - (sy - board.y) * k;
    draw();
  }

  function draw() {
    clamp();
    sheet.style.transform = `translate(${board.x}px, ${board.y}px) scale(${board.scale})`;
    for (const old of view.querySelectorAll(".pin")) old.remove();
    for (const { id, label } of board.names) {
      if (!board.points[id]) continue;
      const pin = document.createElement("div"), tag = document.createElement("span");
      const [sx, sy] = toScreen(board.points[id]);
      pin.className = "pin" + (id === board.chosen ? " chosen" : "");
      pin.style.left = `${sx}px`;
      pin.style.top = `${sy}px`;
      tag.textContent = label;
      tag.className = sx > 0.65 * view.clientWidth ? "left" : "right";
      pin.append(tag);
      view.append(pin);
    }
    chips.replaceChildren(...board.names.map(({ id, label }) => {
      const chip = document.createElement("button");
      chip.type = "button";
      chip.textContent = (board.points[id] ? "✓ " : "") + label;
      chip.setAttribute("aria-pressed", String(id === board.chosen));
      chip.onclick = () => { board.chosen = id; draw(); };
      return chip;
    }));
  }

  function nearest(sx, sy) {
    let best = null, least = 26; // a finger's width
    for (const { id } of board.names) {
      if (!board.points[id]) continue;
      const [px, py] = toScreen(board.points[id]);
      const far = Math.hypot(px - sx, py - sy);
      if (far < least) { best = id; least = far; }
    }
    return best;
  }

  view.onpointerdown = (e) => {
    view.setPointerCapture(e.pointerId);
    fingers.set(e.pointerId, place(e));
    moved = fingers.size > 1 ? 99 : 0;
    held = fingers.size > 1 ? null : nearest(...place(e));
    spread = 0;
    view.focus({ preventScroll: true });
  };
  view.onpointermove = (e) => {
    const last = fingers.get(e.pointerId);
    if (!last) return;
    const now = place(e);
    fingers.set(e.pointerId, now);
    if (fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      const far = Math.hypot(a[0] - b[0], a[1] - b[1]);
      if (spread) zoom(far / spread, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
      spread = far;
      return;
    }
    moved += Math.hypot(now[0] - last[0], now[1] - last[1]);
    if (moved < 5) return;
    if (held) {
      board.chosen = held;
      const [px, py] = toScreen(board.points[held]);
      board.points[held] = toPhoto(px + now[0] - last[0], py + now[1] - last[1]);
    } else {
      board.x += now[0] - last[0];
      board.y += now[1] - last[1];
    }
    draw();
  };
  view.onpointerup = view.onpointercancel = (e) => {
    const at = fingers.get(e.pointerId);
    fingers.delete(e.pointerId);
    if (!at || e.type === "pointercancel") return;
    if (moved < 5 && board.chosen && !(held && held !== board.chosen)) {
      board.points[board.chosen] = toPhoto(...at);
      const open = board.names.find(({ id }) => !board.points[id]);
      board.chosen = open ? open.id : null; // all placed: a stray tap moves nothing
    } else if (moved < 5 && held) {
      board.chosen = held;
      draw();
      return;
    } else if (!held) {
      return;
    }
    held = null;
    draw();
    board.send({ ...board.points });
  };
  view.onwheel = (e) => { e.preventDefault(); zoom(Math.exp(-e.deltaY / 400), ...place(e)); };
  view.onkeydown = (e) => {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    const at = board.points[board.chosen];
    if (!step || !at) return;
    e.preventDefault();
    const far = e.shiftKey ? 10 : 1;
    board.points[board.chosen] = [at[0] + far * step[0], at[1] + far * step[1]];
    draw();
    board.send({ ...board.points });
  };
  root.querySelector(".closer").onclick = () => zoom(2, view.clientWidth / 2, view.clientHeight / 2);
  root.querySelector(".whole").onclick = () => { board.scale = 1; draw(); };
  root.querySelector(".remove").onclick = () => {
    if (!board.points[board.chosen]) return;
    delete board.points[board.chosen];
    draw();
    board.send({ ...board.points });
  };
  new ResizeObserver(() => board.width && draw()).observe(view);

  board.take = (data) => {
    Object.assign(board, { width: data.width, height: data.height, names: data.names });
    view.style.aspectRatio = `${data.width} / ${data.height}`;
    if (image.src !== data.image) image.src = data.image;
    if (data.rev > board.rev) {
      board.rev = data.rev;
      board.points = { ...data.points };
      board.chosen = null;
    }
    const known = board.names.some(({ id }) => id === board.chosen);
    if (!known) {
      const open = board.names.find(({ id }) => !board.points[id]);
      board.chosen = open ? open.id : null;
    }
    draw();
  };
  return board;
}
