// One swing's picture with what was measured drawn over it.
import { nearest } from './phase.js';

const MEASURED = '#F0E442'; // Okabe and Ito's yellow, in a dark casing: reads on grass, sky and clothes
const CASING = '#211E1A';
const PAPER = '#FBF8F1';
const HIT_PX = 18;
const LARGEST_ZOOM = 8;

export class Pane {
  constructor(figure, look, store, on) {
    this.figure = figure;
    this.canvas = figure.querySelector('canvas');
    this.pen = this.canvas.getContext('2d', { alpha: false });
    this.store = store;
    this.take(look);
    this.on = on; // {focus, drop, scrub}
    this.frame = 0;
    this.zoom = 1;
    this.middle = null; // the picture's point in the pane's middle; null: the whole picture
    this.wasFitted = false;
    this.lines = [];
    this.label = '';
    this.drawn = null; // {s, crop, lines, label, ghost}: what the canvas shows now
    this.showLines = true;
    this.showBody = false;
    this.correcting = false;
    this.chosen = '';
    this.stick = null; // ends clicked so far, in picture pixels; null: nobody is clicking
    this.dragged = null;
    this.ghost = null; // {pane, match}
    this.pointers = new Map();
    this.listen();
    new ResizeObserver(() => this.fit()).observe(this.canvas);
  }

  get times() { return this.store.index.times; }
  get s() { return this.times[this.frame]; }

  // A track has a row for most frames; which one belongs to which frame hangs on the time stamps.
  take(look) {
    this.look = look;
    const half = this.times.length > 1 ? (this.times[1] - this.times[0]) / 2 : 1;
    this.rows = this.times.map(s => {
      const row = nearest(look.times, s);
      return Math.abs(look.times[row] - s) <= half ? row : -1;
    });
  }

  fit() {
    const ratio = window.devicePixelRatio || 1;
    this.canvas.width = Math.max(1, Math.round(this.canvas.clientWidth * ratio));
    this.canvas.height = Math.max(1, Math.round(this.canvas.clientHeight * ratio));
    if (this.wasFitted) this.closeUp(); else this.draw();
  }

  show(frame) {
    const direction = Math.sign(frame - this.frame) || 1;
    this.frame = Math.min(Math.max(frame, 0), this.times.length - 1);
    this.store.want(this.frame, direction);
    this.draw();
  }

  showAt(s) { this.show(nearest(this.times, s)); }

  // Picture to canvas.
  view() {
    const { width, height } = this.size();
    const fit = Math.min(this.canvas.width / width, this.canvas.height / height);
    const scale = fit * this.zoom;
    const middle = this.middle ?? [width / 2, height / 2];
    // No bare edge where the picture could fill it.
    const held = (start, pane, whole) => (whole >= pane ? Math.min(0, Math.max(pane - whole, start)) : (pane - whole) / 2);
    return {
      scale,
      left: held(this.canvas.width / 2 - middle[0] * scale, this.canvas.width, width * scale),
      top: held(this.canvas.height / 2 - middle[1] * scale, this.canvas.height, height * scale),
    };
  }

  // Tracks are in the clip's own pixels; frames may be smaller.
  size() { return this.store.index.full ?? { width: this.store.index.width, height: this.store.index.height }; }

  draw() {
    const pen = this.pen;
    const picture = this.store.get(this.frame);
    if (!picture) return; // the old picture stays until the right one is there: never a wrong one with new numbers
    const { width, height } = this.size();
    const view = this.view();
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.fillStyle = '#16150F';
    pen.fillRect(0, 0, this.canvas.width, this.canvas.height);
    pen.setTransform(view.scale, 0, 0, view.scale, view.left, view.top);
    pen.imageSmoothingQuality = 'high';
    pen.drawImage(picture, 0, 0, width, height);
    const ghost = this.ghost ? this.drawGhost(view) : null;
    pen.setTransform(1, 0, 0, 1, 0, 0);
    if (this.showBody || this.correcting) this.drawBody(view);
    const lines = this.showLines ? this.drawLines(view) : [];
    if (this.stick) this.drawStick(view);
    this.drawn = {
      s: this.s,
      crop: [-view.left / view.scale, -view.top / view.scale, (this.canvas.width - view.left) / view.scale, (this.canvas.height - view.top) / view.scale],
      lines,
      ghost,
      label: lines.some(line => line.measured) ? this.label : '',
    };
    this.canvas.dataset.frame = this.frame;
    this.canvas.dispatchEvent(new CustomEvent('drawn', { detail: this.frame }));
  }

  drawStick(view) {
    const ratio = window.devicePixelRatio || 1;
    const ends = this.stick.map(end => this.toCanvas(view, end));
    for (const [wide, colour] of [[6, CASING], [3, MEASURED]]) {
      this.pen.strokeStyle = colour;
      this.pen.lineWidth = wide * ratio;
      if (ends.length > 1) this.stroke(ends);
      for (const [x, y] of ends) {
        this.stroke([[x - 7 * ratio, y], [x + 7 * ratio, y]]);
        this.stroke([[x, y - 7 * ratio], [x, y + 7 * ratio]]);
      }
    }
  }

  drawGhost(view) {
    const { pane, match } = this.ghost;
    const picture = pane.store.get(pane.frame);
    if (!picture || !match) return null;
    const other = pane.size();
    this.pen.save();
    this.pen.globalAlpha = 0.5;
    this.pen.setTransform(
      view.scale * match.scale, 0, 0, view.scale * match.scale,
      view.left + view.scale * match.dx, view.top + view.scale * match.dy,
    );
    this.pen.drawImage(picture, 0, 0, other.width, other.height);
    this.pen.restore();
    return { s: pane.s, scale: match.scale, dx: match.dx, dy: match.dy };
  }

  point(name, frame = this.frame) {
    if (this.dragged && this.dragged.name === name && frame === this.frame) return this.dragged.at;
    if (name === 'ball') return this.look.ball;
    if (name.startsWith('mid_')) {
      const pair = ['lead', 'trail'].map(side => this.point(`${side}_${name.slice(4)}`, frame));
      return pair[0] && pair[1] ? [(pair[0][0] + pair[1][0]) / 2, (pair[0][1] + pair[1][1]) / 2] : null;
    }
    return this.look.paths[name]?.[this.rows[frame]] ?? null;
  }

  toCanvas(view, xy) { return [xy[0] * view.scale + view.left, xy[1] * view.scale + view.top]; }

  drawBody(view) {
    const pen = this.pen;
    const ratio = window.devicePixelRatio || 1;
    pen.lineWidth = 1.5 * ratio;
    pen.strokeStyle = 'rgba(255,255,255,.75)';
    for (const [a, b] of this.look.joined) {
      const ends = [this.point(a), this.point(b)];
      if (!ends[0] || !ends[1]) continue;
      this.stroke(ends.map(end => this.toCanvas(view, end)), false);
    }
    const moved = new Set(this.look.corrections.filter(one => one.kind === 'landmark').map(one => one.name));
    for (const name of Object.keys(this.look.paths)) {
      const at = this.point(name);
      if (!at) continue;
      const [x, y] = this.toCanvas(view, at);
      const size = (this.correcting ? 5 : 3) * ratio;
      pen.fillStyle = name === this.chosen ? MEASURED : '#FFFFFF';
      pen.strokeStyle = CASING;
      pen.lineWidth = 1.5 * ratio;
      pen.beginPath();
      if (moved.has(name)) pen.rect(x - size, y - size, 2 * size, 2 * size); else pen.arc(x, y, size, 0, 2 * Math.PI);
      pen.fill();
      pen.stroke();
    }
  }

  drawLines(view) {
    const pen = this.pen;
    const ratio = window.devicePixelRatio || 1;
    let highest = null;
    const drawn = this.lines.map(line => ({ line, ends: this.lineEnds(line) })).filter(one => one.ends.length > 1 && one.ends.every(Boolean));
    // References first: what was measured is never hidden by what it is measured against.
    drawn.sort((a, b) => Number(isMeasured(a.line)) - Number(isMeasured(b.line)));
    for (const { line, ends } of drawn) {
      const places = ends.map(end => this.toCanvas(view, end));
      const measured = isMeasured(line);
      const wide = (measured ? 3 : 2) * ratio;
      pen.setLineDash(measured ? [] : [7 * ratio, 6 * ratio]);
      pen.strokeStyle = CASING;
      pen.lineWidth = wide * 2;
      this.stroke(places);
      pen.strokeStyle = measured ? MEASURED : '#FFFFFF';
      pen.lineWidth = wide;
      this.stroke(places);
      pen.setLineDash([]);
      if (!measured) continue;
      for (const [x, y] of places) {
        pen.fillStyle = MEASURED;
        pen.strokeStyle = CASING;
        pen.lineWidth = 1.2 * ratio;
        pen.beginPath();
        pen.arc(x, y, wide * 1.1, 0, 2 * Math.PI);
        pen.fill();
        pen.stroke();
        if (!highest || y < highest[1]) highest = [x, y];
      }
    }
    if (this.label && highest) this.tag(this.label, highest, ratio);
    return drawn.map(({ line, ends }) => ({ points: ends, measured: isMeasured(line) }));
  }

  lineEnds(line) {
    const first = this.point(line.points[0]);
    if (!first) return [];
    if (line.kind === 'then') {
      const address = this.look.positions.P1;
      return address ? [this.point(line.points[0], nearest(this.times, address.s)), first] : [];
    }
    if (line.kind === 'plumb' || line.kind === 'level') {
      const top = this.point('mid_shoulder'), low = this.point('mid_hip');
      const reach = 0.9 * Math.max(top && low ? Math.hypot(top[0] - low[0], top[1] - low[1]) : 0, this.size().height / 20);
      return line.kind === 'plumb'
        ? [[first[0], first[1] + 0.35 * reach], [first[0], first[1] - reach]]
        : [[first[0] - 0.7 * reach, first[1]], [first[0] + 0.7 * reach, first[1]]];
    }
    return line.points.map(name => this.point(name));
  }

  tag(text, [x, y], ratio) {
    const pen = this.pen;
    const size = 17 * ratio;
    pen.font = `600 ${size}px 'Source Serif Pro', Georgia, serif`;
    const wide = pen.measureText(text).width + size;
    const high = size * 1.5;
    const left = Math.min(Math.max(x + (x < this.canvas.width / 2 ? size * 0.7 : -size * 0.7 - wide), 4), this.canvas.width - wide - 4);
    const top = Math.min(Math.max(y - high * 1.2, 4), this.canvas.height - high - 4);
    pen.fillStyle = PAPER;
    pen.beginPath();
    pen.roundRect(left, top, wide, high, high * 0.14);
    pen.fill();
    pen.fillStyle = CASING;
    pen.textBaseline = 'middle';
    pen.fillText(text, left + size / 2, top + high * 0.53);
  }

  stroke(places) {
    this.pen.beginPath();
    places.forEach(([x, y], k) => (k ? this.pen.lineTo(x, y) : this.pen.moveTo(x, y)));
    this.pen.stroke();
  }

  // -- zoom and hands ---------------------------------------------------------------------------

  zoomBy(factor, at) {
    this.wasFitted = false;
    const before = this.toPicture(at ?? [this.canvas.width / 2, this.canvas.height / 2]);
    this.zoom = Math.min(Math.max(this.zoom * factor, 1), LARGEST_ZOOM);
    if (this.zoom === 1) this.middle = null;
    else {
      const { width, height } = this.size();
      const scale = Math.min(this.canvas.width / width, this.canvas.height / height) * this.zoom;
      const from = at ?? [this.canvas.width / 2, this.canvas.height / 2];
      this.middle = [
        before[0] - (from[0] - this.canvas.width / 2) / scale,
        before[1] - (from[1] - this.canvas.height / 2) / scale,
      ];
    }
    this.figure.classList.toggle('zoomed', this.zoom > 1);
    this.draw();
  }

  // Fill the pane with the golfer and the club, as the stills of the sheet do.
  closeUp() {
    const [start, stop] = this.look.span;
    const xs = [], ys = [];
    for (const path of Object.values(this.look.paths)) {
      path.forEach((at, row) => {
        if (at && this.look.times[row] >= start && this.look.times[row] <= stop) { xs.push(at[0]); ys.push(at[1]); }
      });
    }
    if (!xs.length || this.canvas.width < 2) return;
    // A few frames with a lost club must not push the golfer away.
    const ends = values => { values.sort((a, b) => a - b); return [values[Math.floor(values.length * 0.002)], values[Math.ceil(values.length * 0.998) - 1]]; };
    const [left, right] = ends(xs), [top, bottom] = ends(ys);
    const { width, height } = this.size();
    const fit = Math.min(this.canvas.width / width, this.canvas.height / height);
    const scale = Math.min(this.canvas.width / ((right - left) * 1.12), this.canvas.height / ((bottom - top) * 1.2));
    this.zoom = Math.min(Math.max(scale / fit, 1), LARGEST_ZOOM);
    this.middle = this.zoom > 1 ? [(left + right) / 2, (top + bottom) / 2] : null;
    this.figure.classList.toggle('zoomed', this.zoom > 1);
    this.wasFitted = true;
    this.draw();
  }

  whole() { this.wasFitted = false; this.zoom = 1; this.middle = null; this.figure.classList.remove('zoomed'); this.draw(); }

  toPicture([x, y]) {
    const view = this.view();
    return [(x - view.left) / view.scale, (y - view.top) / view.scale];
  }

  place(event) {
    const box = this.canvas.getBoundingClientRect();
    return [(event.clientX - box.left) * this.canvas.width / box.width, (event.clientY - box.top) * this.canvas.height / box.height];
  }

  hit(at) {
    const view = this.view();
    let best = '', away = HIT_PX * (window.devicePixelRatio || 1);
    for (const name of Object.keys(this.look.paths)) {
      const xy = this.point(name);
      if (!xy) continue;
      const [x, y] = this.toCanvas(view, xy);
      const distance = Math.hypot(x - at[0], y - at[1]);
      if (distance < away) { away = distance; best = name; }
    }
    return best;
  }

  listen() {
    const canvas = this.canvas;
    canvas.addEventListener('focus', () => this.on.focus(this));
    canvas.addEventListener('wheel', event => {
      if (!event.ctrlKey && this.zoom === 1 && !event.altKey) return; // the page scrolls
      event.preventDefault();
      this.zoomBy(event.deltaY < 0 ? 1.2 : 1 / 1.2, this.place(event));
    }, { passive: false });
    canvas.addEventListener('pointerdown', event => {
      canvas.focus({ preventScroll: true });
      const at = this.place(event);
      this.pointers.set(event.pointerId, at);
      if (this.pointers.size === 2) { this.dragged = null; return; }
      if (this.stick && this.stick.length < 2) {
        this.stick.push(this.toPicture(at));
        this.draw();
        if (this.stick.length === 2) this.on.lay(this, this.stick);
        return;
      }
      const name = this.correcting ? this.hit(at) : '';
      if (name) {
        this.chosen = name;
        this.dragged = { name, at: this.point(name), from: at, start: this.point(name) };
        this.on.choose(this, name);
      }
      if (name || this.zoom > 1) canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener('pointermove', event => {
      const before = this.pointers.get(event.pointerId);
      if (!before) return;
      const at = this.place(event);
      this.pointers.set(event.pointerId, at);
      if (this.pointers.size === 2) {
        const other = [...this.pointers].find(([id]) => id !== event.pointerId)[1];
        const was = Math.hypot(before[0] - other[0], before[1] - other[1]);
        const is = Math.hypot(at[0] - other[0], at[1] - other[1]);
        if (was > 0) this.zoomBy(is / was, [(at[0] + other[0]) / 2, (at[1] + other[1]) / 2]);
        return;
      }
      const { scale } = this.view();
      if (this.dragged) {
        this.dragged.at = [
          this.dragged.start[0] + (at[0] - this.dragged.from[0]) / scale,
          this.dragged.start[1] + (at[1] - this.dragged.from[1]) / scale,
        ];
        this.draw();
      } else if (this.zoom > 1) {
        const { width, height } = this.size();
        const middle = this.middle ?? [width / 2, height / 2];
        this.middle = [middle[0] - (at[0] - before[0]) / scale, middle[1] - (at[1] - before[1]) / scale];
        this.draw();
      }
    });
    const up = event => {
      this.pointers.delete(event.pointerId);
      const dragged = this.dragged;
      if (!dragged) return;
      const moved = Math.hypot(dragged.at[0] - dragged.start[0], dragged.at[1] - dragged.start[1]);
      if (moved < 0.5) { this.dragged = null; this.draw(); return; }
      this.on.drop(this, dragged.name, dragged.at).finally(() => { this.dragged = null; this.draw(); });
    };
    canvas.addEventListener('pointerup', up);
    canvas.addEventListener('pointercancel', event => { this.dragged = null; this.pointers.delete(event.pointerId); this.draw(); });
  }
}

function isMeasured(line) { return line.kind === 'line' || line.kind === 'then'; }

// Lay one swing over the other: the size from feet to shoulders, the place from feet and ball at address.
export function matchAt(mine, theirs) {
  const at = pane => {
    const address = pane.look.positions.P1;
    if (!address) return null;
    const frame = nearest(pane.times, address.s);
    const feet = ['lead_ankle', 'trail_ankle'].map(name => pane.point(name, frame));
    return { feet, ball: pane.look.ball, top: pane.point('mid_shoulder', frame) };
  };
  const a = at(mine), b = at(theirs);
  if (!a || !b || [...a.feet, ...b.feet, a.top, b.top].some(xy => !xy)) return null;
  const both = a.ball && b.ball;
  const mean = points => points.reduce((sum, p) => [sum[0] + p[0] / points.length, sum[1] + p[1] / points.length], [0, 0]);
  const footA = mean(a.feet), footB = mean(b.feet);
  const scale = Math.hypot(a.top[0] - footA[0], a.top[1] - footA[1]) / Math.hypot(b.top[0] - footB[0], b.top[1] - footB[1]);
  const placeA = mean(both ? [...a.feet, a.ball] : a.feet);
  const placeB = mean(both ? [...b.feet, b.ball] : b.feet);
  return { scale, dx: placeA[0] - placeB[0] * scale, dy: placeA[1] - placeB[1] * scale };
}
