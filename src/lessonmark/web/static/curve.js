// A measure along both swings, over the positions and not over the clock, with the cursor running along.

const FIRST = 0.6, LAST = 10.4;

export class CurveChart {
  constructor(canvas, onScrub) {
    this.canvas = canvas;
    this.pen = canvas.getContext('2d');
    this.rows = []; // {stage, phase, times, values, marks: [{u, value, se, byHand}]}
    this.u = 1;
    this.unit = '';
    new ResizeObserver(() => this.fit()).observe(canvas);
    matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => this.draw());
    const scrub = event => {
      const box = canvas.getBoundingClientRect();
      const { left, right } = this.frame();
      const x = (event.clientX - box.left) * canvas.width / box.width;
      onScrub(FIRST + (LAST - FIRST) * Math.min(Math.max((x - left) / (right - left), 0), 1));
    };
    canvas.addEventListener('pointerdown', event => { canvas.setPointerCapture(event.pointerId); scrub(event); });
    canvas.addEventListener('pointermove', event => { if (event.buttons) scrub(event); });
  }

  fit() {
    const ratio = window.devicePixelRatio || 1;
    this.canvas.width = Math.max(1, Math.round(this.canvas.clientWidth * ratio));
    this.canvas.height = Math.max(1, Math.round(this.canvas.clientHeight * ratio));
    this.draw();
  }

  set(rows, unit) { this.rows = rows; this.unit = unit; this.draw(); }

  moveTo(u) { this.u = u; this.draw(); }

  frame() {
    const ratio = window.devicePixelRatio || 1;
    return { left: 52 * ratio, right: this.canvas.width - 8 * ratio, top: 8 * ratio, bottom: this.canvas.height - 24 * ratio, ratio };
  }

  draw() {
    const pen = this.pen;
    const style = getComputedStyle(document.documentElement);
    const colour = name => style.getPropertyValue('--' + name).trim();
    const { left, right, top, bottom, ratio } = this.frame();
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    const x = u => left + (right - left) * (u - FIRST) / (LAST - FIRST);
    pen.font = `${13 * ratio}px 'Source Serif Pro', Georgia, serif`;
    pen.textAlign = 'center';
    pen.textBaseline = 'top';
    for (let n = 1; n <= 10; n += 1) {
      pen.strokeStyle = colour('line');
      pen.lineWidth = ratio;
      pen.beginPath();
      pen.moveTo(x(n), top);
      pen.lineTo(x(n), bottom);
      pen.stroke();
      pen.fillStyle = colour('soft');
      pen.fillText('P' + n, x(n), bottom + 5 * ratio);
    }
    const all = this.rows.flatMap(row => [...row.values.filter(v => v !== null), ...row.marks.flatMap(m => [m.value - m.half, m.value + m.half])]);
    if (!all.length) { this.cursor(x, top, bottom, colour, ratio); return; }
    // One wild frame must not flatten the rest: the middle 98 % and all marks decide.
    const sorted = this.rows.flatMap(row => row.values.filter(v => v !== null)).sort((a, b) => a - b);
    const marks = this.rows.flatMap(row => row.marks.flatMap(m => [m.value - m.half, m.value + m.half]));
    const low = Math.min(...marks, sorted[Math.floor(sorted.length * 0.01)] ?? Infinity);
    const high = Math.max(...marks, sorted[Math.ceil(sorted.length * 0.99) - 1] ?? -Infinity);
    const room = 0.08 * (high - low || 1);
    const y = v => bottom - (bottom - top) * (v - low + room) / (high - low + 2 * room);
    pen.textAlign = 'right';
    pen.textBaseline = 'middle';
    for (const tick of ticks(low, high)) {
      pen.strokeStyle = colour('line');
      pen.beginPath();
      pen.moveTo(left, y(tick));
      pen.lineTo(right, y(tick));
      pen.stroke();
      pen.fillStyle = colour('soft');
      pen.fillText(text(tick) + (this.unit === '°' ? '°' : ''), left - 6 * ratio, y(tick));
    }
    pen.save();
    pen.beginPath();
    pen.rect(left, top, right - left, bottom - top);
    pen.clip();
    for (const row of this.rows) {
      pen.strokeStyle = colour(row.stage);
      pen.lineWidth = 2 * ratio;
      pen.setLineDash(row.dashed ? [6 * ratio, 4 * ratio] : []);
      pen.beginPath();
      let open = false;
      row.times.forEach((s, k) => {
        const value = row.values[k];
        if (value === null) { open = false; return; }
        const at = [x(row.phase.toU(s)), y(value)];
        if (open) pen.lineTo(...at); else pen.moveTo(...at);
        open = true;
      });
      pen.stroke();
      pen.setLineDash([]);
      for (const mark of row.marks) {
        pen.beginPath();
        pen.moveTo(x(mark.u), y(mark.value - mark.half));
        pen.lineTo(x(mark.u), y(mark.value + mark.half));
        pen.lineWidth = 1.5 * ratio;
        pen.stroke();
        shape(pen, row.stage, x(mark.u), y(mark.value), 5 * ratio, colour(row.stage), colour('paper'));
      }
    }
    pen.restore();
    this.cursor(x, top, bottom, colour, ratio);
  }

  cursor(x, top, bottom, colour, ratio) {
    const pen = this.pen;
    pen.strokeStyle = colour('ink');
    pen.lineWidth = 2 * ratio;
    pen.beginPath();
    pen.moveTo(x(this.u), top);
    pen.lineTo(x(this.u), bottom);
    pen.stroke();
  }
}

function shape(pen, stage, x, y, r, colour, paper) {
  pen.beginPath();
  if (stage === 'drill') { pen.moveTo(x, y - r * 1.2); pen.lineTo(x + r * 1.1, y + r * 0.9); pen.lineTo(x - r * 1.1, y + r * 0.9); pen.closePath(); }
  else if (stage === 'after') pen.rect(x - r * 0.9, y - r * 0.9, r * 1.8, r * 1.8);
  else if (stage === 'retest') { pen.moveTo(x, y - r * 1.3); pen.lineTo(x + r * 1.1, y); pen.lineTo(x, y + r * 1.3); pen.lineTo(x - r * 1.1, y); pen.closePath(); }
  else if (stage === 'practice') { pen.rect(x - r * 0.4, y - r * 1.2, r * 0.8, r * 2.4); pen.rect(x - r * 1.2, y - r * 0.4, r * 2.4, r * 0.8); }
  else pen.arc(x, y, r, 0, 2 * Math.PI);
  pen.fillStyle = stage === 'before' || stage === 'retest' ? paper : colour;
  pen.fill();
  pen.stroke();
}

function ticks(low, high) {
  const rough = ((high - low) || 1) / 4;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map(m => m * power).find(s => s >= rough);
  const found = [];
  for (let k = Math.ceil(low / step); k * step <= high; k += 1) found.push(k * step);
  return found;
}

export function text(value, digits = 0) {
  if (Object.is(Math.round(value * 10 ** (digits + 1)), -0)) value = 0;
  const enough = Math.abs(value) < 5 && digits === 0 && value !== Math.round(value) ? 1 : digits;
  const lang = document.documentElement.lang || 'en';
  return value.toLocaleString(lang, { minimumFractionDigits: enough, maximumFractionDigits: enough }).replace('-', '\u2212');
}
