// What is on the screen while the coach speaks: frames, zoom, lines, pointer, freehand strokes.
// Places are shares of the picture pair, as the review video has them: a swing alone stands in the middle.

const SVG = 'http://www.w3.org/2000/svg';
const POINTER_EVERY_MS = 33; // the video's own step
const SAME_MOMENT_MS = 8; // both pictures of one step are drawn one after the other
const BOX = { width: 300, height: 400 }; // of a pane's drawing

export class ScreenLog {
  constructor(panes) {
    this.panes = panes;
    this.drawing = false;
    this.strokes = []; // {points: [[ms, x, y]], until: ms or null, lines: [polylines]}
    this.open = null; // the stroke under the pen
    this.begun = null; // ms; null: not recording
    this.seen = panes.map(pane => pane.drawn);
    this.sheets = panes.map((pane, half) => this.sheet(pane, half));
    panes.forEach((pane, half) => pane.canvas.addEventListener('drawn', () => this.note(half)));
  }

  // A sheet of glass over a pane, to draw on.
  sheet(pane, half) {
    const glass = document.createElementNS(SVG, 'svg');
    glass.setAttribute('viewBox', `0 0 ${BOX.width} ${BOX.height}`);
    glass.setAttribute('class', 'glass');
    glass.setAttribute('aria-hidden', 'true');
    pane.canvas.after(glass);
    for (const surface of [pane.canvas, glass]) {
      surface.addEventListener('pointermove', event => this.point(event, pane, half));
      surface.addEventListener('pointerleave', event => this.leave(event));
    }
    glass.addEventListener('pointerdown', event => this.begin(event, pane, half, glass));
    const end = () => { this.open = null; };
    glass.addEventListener('pointerup', end);
    glass.addEventListener('pointercancel', end);
    return glass;
  }

  place(event, pane, half) {
    const box = pane.canvas.getBoundingClientRect();
    const share = (at, start, size) => Math.min(Math.max((at - start) / size, 0), 1);
    const x = share(event.clientX, box.left, box.width);
    const y = share(event.clientY, box.top, box.height);
    return [this.panes.length > 1 ? (half + x) / 2 : 0.25 + x / 2, y];
  }

  begin(event, pane, half, glass) {
    if (!this.drawing) return;
    event.preventDefault();
    glass.setPointerCapture(event.pointerId);
    const lines = ['casing', 'ink'].map(name => {
      const line = document.createElementNS(SVG, 'polyline');
      line.setAttribute('class', name);
      glass.append(line);
      return line;
    });
    this.open = { half, points: [], until: null, lines };
    this.strokes.push(this.open);
    this.extend(event, pane, half);
  }

  extend(event, pane, half) {
    const [x, y] = this.place(event, pane, half);
    this.open.points.push([event.timeStamp, x, y]);
    const inside = this.panes.length > 1 ? at => at * 2 - half : at => (at - 0.25) * 2;
    const shape = this.open.points.map(([, px, py]) => `${inside(px) * BOX.width},${py * BOX.height}`).join(' ');
    for (const line of this.open.lines) line.setAttribute('points', shape);
  }

  point(event, pane, half) {
    if (this.open && this.open.half === half) this.extend(event, pane, half);
    if (this.begun === null || event.timeStamp - this.pointedAt < POINTER_EVERY_MS) return;
    this.pointedAt = event.timeStamp;
    const [x, y] = this.place(event, pane, half);
    this.pointer.push({ at: event.timeStamp, x, y });
  }

  leave(event) {
    if (this.begun === null || this.open) return;
    this.pointedAt = -Infinity;
    this.pointer.push({ at: event.timeStamp, x: null, y: null });
  }

  draw(on) {
    this.drawing = on;
    for (const glass of this.sheets) glass.classList.toggle('drawing', on);
  }

  wipe() {
    const now = performance.now();
    for (const stroke of this.strokes) {
      if (stroke.until === null) stroke.until = now;
      for (const line of stroke.lines) line.remove();
      stroke.lines = [];
    }
    this.open = null;
    if (this.begun === null) this.strokes = [];
  }

  note(half) {
    this.seen[half] = this.panes[half].drawn;
    if (this.begun === null) return;
    const now = performance.now();
    const state = { at: now, panes: [...this.seen] };
    const last = this.shown[this.shown.length - 1];
    if (last && now - last.at < SAME_MOMENT_MS) last.panes = state.panes;
    else if (!last || !same(last.panes, state.panes)) this.shown.push(state);
  }

  // From this moment on (ms on the page's clock, when the sound began).
  start(at) {
    this.begun = at;
    this.pointedAt = -Infinity;
    this.pointer = [];
    this.strokes = this.strokes.filter(stroke => stroke.until === null);
    this.shown = [{ at, panes: [...this.seen] }];
  }

  // Give the log, its times in seconds from the start.
  stop(at) {
    const start = this.begun;
    this.begun = null;
    const seconds = ms => round(Math.max(ms - start, 0) / 1000, 4);
    const log = {
      duration_s: seconds(at),
      shown: this.shown.map(state => ({
        at_s: seconds(state.at),
        left: told(state.panes[0]),
        right: state.panes.length > 1 ? told(state.panes[1]) : null,
      })),
      pointer: this.pointer.map(one => ({ at_s: seconds(one.at), x: one.x && round(one.x, 4), y: one.y && round(one.y, 4) })),
      marks: this.strokes.map(stroke => ({
        points: stroke.points.map(([ms, x, y]) => [seconds(ms), round(x, 4), round(y, 4)]),
        until_s: stroke.until === null ? null : seconds(stroke.until),
      })),
    };
    this.strokes = this.strokes.filter(stroke => stroke.until === null);
    return log;
  }
}

function told(drawn) {
  return drawn && {
    s: round(drawn.s, 6),
    crop: drawn.crop.map(edge => round(edge, 2)),
    lines: drawn.lines.map(line => ({ points: line.points.map(at => at.map(value => round(value, 2))), measured: line.measured })),
    label: drawn.label.slice(0, 40),
    ghost: drawn.ghost && { s: round(drawn.ghost.s, 6), scale: round(drawn.ghost.scale, 5), dx: round(drawn.ghost.dx, 2), dy: round(drawn.ghost.dy, 2) },
  };
}

function same(a, b) { return JSON.stringify(a.map(told)) === JSON.stringify(b.map(told)); }

function round(value, digits) { return Number(value.toFixed(digits)); }
