// The photograph on its stage: zoom, pan, the lines drawn over it, and the loupe.
// Photograph frame: upright full-size pixels, (0, 0) = centre of the top-left pixel. Stage frame: CSS pixels.
const MOST_K = 12; // CSS pixels for one pixel of the photograph
const LEAST_LOOKED = 0.1, ROOM = 1.7; // of the photograph's longer side, and of the stretch itself: what is shown around it
const PENS = {
  edge: { colour: "#96d7ff", width: 1.2, dash: [] },
  middle: { colour: "#faf8f2", width: 1.2, dash: [7, 5] },
  string: { colour: "#f0e442", width: 1.6, dash: [3, 3] },
  doubt: { colour: "#ff7a1a", width: 3.2, dash: [] },
};

function makeView(stage, canvas, onDraw) {
  const view = { width: 0, height: 0, k: 0, x: 0, y: 0, lines: true, faded: false, missing: false };
  const pen = canvas.getContext("2d");
  const small = new Image(), tiles = new Map();
  let looked = null, whole = true, waiting = 0, curves = [], grid = null, box = { w: 0, h: 0 };
  small.onload = () => { view.missing = false; draw(); };
  small.onerror = () => { view.missing = true; draw(); };

  const fit = () => Math.min(box.w / view.width, box.h / view.height);
  view.toStage = ([px, py]) => [(px + 0.5) * view.k + view.x, (py + 0.5) * view.k + view.y];
  view.toPhoto = ([sx, sy]) => view.inside([(sx - view.x) / view.k - 0.5, (sy - view.y) / view.k - 0.5]);
  view.inside = ([px, py]) => [
    Math.min(Math.max(px, -0.5), view.width - 0.5), Math.min(Math.max(py, -0.5), view.height - 0.5)];
  view.size = () => [box.w, box.h];
  view.isWhole = () => whole;

  function settle() {
    const least = fit();
    view.k = Math.min(Math.max(view.k, least), Math.max(MOST_K, least));
    whole = view.k <= least * 1.001;
    const place = (at, room, span) => (span <= room ? (room - span) / 2 : Math.min(0, Math.max(room - span, at)));
    view.x = place(view.x, box.w, view.width * view.k);
    view.y = place(view.y, box.h, view.height * view.k);
    stage.style.touchAction = whole ? "pan-y" : "none"; // the whole picture in view leaves the page free to scroll
  }

  view.zoom = (factor, [sx, sy] = [box.w / 2, box.h / 2]) => {
    const before = view.k;
    view.k = Math.min(Math.max(before * factor, fit()), MOST_K);
    view.x = sx - (sx - view.x) * (view.k / before);
    view.y = sy - (sy - view.y) * (view.k / before);
    draw();
  };
  view.pan = (dx, dy) => { view.x += dx; view.y += dy; draw(); };
  view.showWhole = () => { view.k = 0; draw(); };
  view.reveal = (at, k = 0) => { // bring a place of the photograph into sight, enlarged to at least k
    view.k = Math.max(view.k, k);
    const [sx, sy] = view.toStage(at), margin = 34;
    if (k || sx < margin || sy < margin || sx > box.w - margin || sy > box.h - margin) {
      view.x += box.w / 2 - sx;
      view.y += box.h / 2 - sy;
    }
    draw();
  };

  view.look = (points) => { looked = points; draw(); }; // a stretch of the photograph, or one place: enlarged, with room around it
  function lookNow() {
    const xs = looked.map(([px]) => px), ys = looked.map(([, py]) => py), least = LEAST_LOOKED * Math.max(view.width, view.height);
    const w = Math.max(least, ROOM * (Math.max(...xs) - Math.min(...xs))), h = Math.max(least, ROOM * (Math.max(...ys) - Math.min(...ys)));
    const middle = [(Math.max(...xs) + Math.min(...xs)) / 2, (Math.max(...ys) + Math.min(...ys)) / 2];
    looked = null;
    view.k = Math.min(Math.max(Math.min(box.w / w, box.h / h), fit()), MOST_K);
    view.x = box.w / 2 - (middle[0] + 0.5) * view.k;
    view.y = box.h / 2 - (middle[1] + 0.5) * view.k;
  }

  function tile(column, row) {
    const url = grid.urls[row * grid.columns + column];
    let image = tiles.get(url);
    if (!image) {
      image = new Image();
      image.onload = draw;
      image.src = url;
      tiles.set(url, image);
    }
    return image.complete && image.naturalWidth ? image : null;
  }

  function photograph(into, k, x, y, w, h) {
    const dots = window.devicePixelRatio || 1;
    into.setTransform(dots, 0, 0, dots, 0, 0);
    into.clearRect(0, 0, w, h);
    into.imageSmoothingEnabled = k * dots < 4; // near enough, pixels are shown as what they are
    if (small.complete && small.naturalWidth) into.drawImage(small, x, y, view.width * k, view.height * k);
    if (!grid || k * dots <= small.naturalWidth / view.width) return;
    const side = grid.side, first = (at) => Math.max(0, Math.floor(-at / k / side));
    const last = (at, room, n) => Math.min(n - 1, Math.floor((room - at) / k / side));
    const rows = grid.urls.length / grid.columns;
    for (let r = first(y); r <= last(y, h, rows); r++) {
      for (let c = first(x); c <= last(x, w, grid.columns); c++) {
        const image = tile(c, r);
        if (!image) continue;
        // a hair over, or the seams shine through
        into.drawImage(image, x + c * side * k, y + r * side * k, image.naturalWidth * k + 0.3, image.naturalHeight * k + 0.3);
      }
    }
  }

  function drawn(into, k, x, y) {
    if (!view.lines) return;
    const dots = window.devicePixelRatio || 1;
    into.setTransform(k * dots, 0, 0, k * dots, (x + k / 2) * dots, (y + k / 2) * dots);
    into.globalAlpha = view.faded ? 0.35 : 1;
    into.lineJoin = "round";
    for (const [halo, more] of [["#121418", 1.1], [null, 0]]) {
      for (const { kind, path } of curves) {
        const { colour, width, dash } = PENS[kind];
        into.strokeStyle = halo || colour;
        into.lineWidth = (width + more) / k;
        into.setLineDash(halo ? [] : dash.map((d) => d / k));
        into.stroke(path);
      }
    }
    into.globalAlpha = 1;
    into.setLineDash([]);
  }

  function paint() {
    waiting = 0;
    if (!view.width || !box.w) return;
    if (looked) lookNow();
    settle();
    photograph(pen, view.k, view.x, view.y, box.w, box.h);
    drawn(pen, view.k, view.x, view.y);
    onDraw();
  }
  function draw() { waiting = waiting || requestAnimationFrame(paint); }
  view.draw = draw;

  view.paintLoupe = (loupe, at) => {
    const size = loupe.clientWidth, dots = window.devicePixelRatio || 1;
    const k = Math.min(Math.max(2.5 * view.k, 1), MOST_K), into = loupe.getContext("2d");
    loupe.width = loupe.height = Math.round(size * dots);
    const x = size / 2 - (at[0] + 0.5) * k, y = size / 2 - (at[1] + 0.5) * k;
    photograph(into, k, x, y, size, size);
    drawn(into, k, x, y);
    into.setTransform(dots, 0, 0, dots, 0, 0);
    for (const [colour, width] of [["#121418", 3], ["#faf8f2", 1.2]]) { // four arms that leave the place itself free
      into.strokeStyle = colour;
      into.lineWidth = width;
      into.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        into.moveTo(size / 2 + dx * 7, size / 2 + dy * 7);
        into.lineTo(size / 2 + dx * 26, size / 2 + dy * 26);
      }
      into.stroke();
    }
  };

  view.fetchAround = (places) => { // so that the loupe is sharp at once
    if (!grid) return;
    for (const [px, py] of places.slice(0, 8)) {
      tile(Math.floor(Math.max(px, 0) / grid.side), Math.floor(Math.max(py, 0) / grid.side));
    }
  };

  view.take = (data) => {
    Object.assign(view, { width: data.width, height: data.height });
    stage.style.aspectRatio = `${data.width} / ${data.height}`;
    stage.style.maxWidth = `calc(80vh * ${data.width / data.height})`;
    if (small.getAttribute("src") !== data.image) small.src = data.image;
    grid = data.tiles;
    curves = data.curves.map(({ kind, runs }) => {
      const path = new Path2D();
      for (const run of runs) run.forEach(([px, py], i) => (i ? path.lineTo(px, py) : path.moveTo(px, py)));
      return { kind, path };
    });
    draw();
  };

  new ResizeObserver(() => {
    const dots = window.devicePixelRatio || 1;
    if (whole) view.k = 0;
    box = { w: stage.clientWidth, h: stage.clientHeight };
    canvas.width = Math.round(box.w * dots);
    canvas.height = Math.round(box.h * dots);
    draw();
  }).observe(stage);
  return view;
}
