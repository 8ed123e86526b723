// For tests in a browser: counts the runs that the server tells of, waits until the page is at rest, and tells what stands on it.
// The page's own "not running" cannot be waited for by itself: it says so too while the server has not answered yet.
(() => {
  const runs = { begun: 0 };
  const NEW_SESSION = 4, SCRIPT_FINISHED = 6; // fields of Streamlit's ForwardMsg
  const RERUN_SCRIPT = 11, FILE_URLS_REQUEST = 16; // of its BackMsg
  let asked = false; // whether the server was asked for a run, or where to put a file, and has not answered yet
  let running = false; // a run that another one cuts short is never told to have ended
  let uploads = 0;

  const varint = (bytes, at) => {
    let value = 0, shift = 1;
    for (;;) {
      const byte = bytes[at++];
      value += (byte & 127) * shift;
      shift *= 128;
      if (byte < 128) return [value, at];
    }
  };
  const fields = (bytes, tell) => {
    for (let at = 0, tag, size; at < bytes.length; ) {
      [tag, at] = varint(bytes, at);
      tell(tag >> 3);
      const kind = tag & 7;
      if (kind === 2) [size, at] = varint(bytes, at), at += size;
      else if (kind === 0) [, at] = varint(bytes, at);
      else at += kind === 1 ? 8 : 4;
    }
  };
  const come = (field) => {
    if (field === NEW_SESSION) runs.begun++, (running = true), (asked = false);
    if (field === SCRIPT_FINISHED) running = false;
  };
  const Socket = window.WebSocket;
  window.WebSocket = class extends Socket {
    constructor(...more) {
      super(...more);
      this.addEventListener("message", (m) => m.data instanceof ArrayBuffer && fields(new Uint8Array(m.data), come));
    }
    send(data) {
      if (data instanceof Uint8Array) fields(data, (field) => (asked ||= field === RERUN_SCRIPT || field === FILE_URLS_REQUEST));
      super.send(data);
    }
  };
  const { send } = XMLHttpRequest.prototype; // a file on its way; that it has come asks for a run
  XMLHttpRequest.prototype.send = function (...more) {
    uploads++;
    this.addEventListener("loadend", () => uploads--);
    return send.apply(this, more);
  };

  const all = (what) => [...document.querySelectorAll(what)];
  const text = (e) => e.innerText.trim();
  // A page that the browser does not paint gets no frames: then the clock goes on by itself, and the wait still ends.
  const frame = () => new Promise((done) => (requestAnimationFrame(() => setTimeout(done, 10)), setTimeout(done, 250)));
  const widest = () => Math.max(...all("html, .stMain, [data-testid=stMain]").map((e) => e.scrollWidth));
  const busy = (before) => {
    const app = document.querySelector('[data-testid="stApp"]');
    if (!app || runs.begun <= before || asked) return "the server has not answered";
    if (uploads) return "a file is on its way";
    if (running || app.dataset.testScriptState !== "notRunning") return "the script runs";
    if (all('[data-stale="true"]').length) return "something old stands there";
    if (all('[data-testid="stSpinner"], [data-testid="stSkeleton"], [data-testid="stAppSkeleton"]').length) return "a spinner turns";
    if (all('[data-testid="stVegaLiteChart"]').some((c) => !c.querySelector("canvas, svg.marks"))) return "a chart is not drawn";
    if (all("img").some((i) => !i.complete)) return "a picture is on its way";
    return "";
  };

  window.tillerTest = {
    runs,
    // To another address as the browser's own back button goes there: nothing is loaded anew.
    go(path) {
      history.pushState({}, "", path);
      dispatchEvent(new PopStateEvent("popstate", { state: {} }));
    },
    // before: how many runs had begun when what is waited for was asked. most: how long it may take, ms.
    async rest(before, most) {
      const end = performance.now() + most;
      let still = 0, late = "";
      const soon = performance.now() + 5000; // a chart follows the page's width a little later
      while (still < 3 && performance.now() < end) {
        await frame();
        late = busy(before) || (performance.now() < soon && widest() > innerWidth ? "the page is still too wide" : "");
        still = late ? 0 : still + 1;
      }
      return { late, ...this.seen() };
    },
    open() {
      const closed = all('[data-testid="stMain"] details:not([open]) > summary');
      closed.forEach((e) => e.click());
      return closed.length;
    },
    seen() {
      const main = document.querySelector('[data-testid="stMain"]') || document.body;
      const scrolls = '[data-testid="stDataFrame"], [data-testid="stVegaLiteChart"], pre, [data-testid="stButtonGroup"]';
      const over = all('[data-testid="stMain"] *').filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(scrolls));
      return {
        exceptions: all('[data-testid="stException"]').map(text),
        unforeseen: all('[class*="st-key-unforeseen_"]').map(text),
        errors: all('[data-testid="stAlertContentError"]').map(text),
        titles: all("h1").map(text),
        address: Object.fromEntries(new URLSearchParams(location.search)),
        words: main.innerText.split(/\s+/).length,
        width: innerWidth,
        widest: widest(),
        over: over.slice(0, 2).map((e) => e.outerHTML.slice(0, 100)),
        broken: all("img").filter((i) => i.complete && !i.naturalWidth).map((i) => i.src.slice(-60)),
        cut: all('[data-testid="stMain"] *').filter((e) => !e.children.length && e.scrollWidth > e.clientWidth + 1 &&
          getComputedStyle(e).textOverflow === "ellipsis").map((e) => text(e).slice(0, 60)),
      };
    },
  };
})();
