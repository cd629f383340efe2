// Two swings beside each other, locked to the same position or to the same fraction between positions.
import { CurveChart, text } from './curve.js';
import { FrameStore } from './frames.js';
import { matchAt, Pane } from './pane.js';
import { Phase } from './phase.js';

const Z95 = 1.959963984540054;
const SLOW = 1 / 8; // of the true speed
const root = document.querySelector('#viewer');
const csrf = document.querySelector('meta[name=lessonmark-csrf]').content;
const fill = (message, values) => message.replace(/\{(\w+)\}/g, (_, key) => values[key] ?? '');
const $ = selector => root.querySelector(selector);

const panes = [];
let active = 0;
let locked = true;
let ghost = false;
let running = 0;
let chart;
let curves = [];

async function read(address) {
  const answer = await fetch(address, { headers: { accept: 'application/json' } });
  const data = await answer.json();
  if (!answer.ok) throw new Error([data.what, data.do].filter(Boolean).join('. '));
  return data;
}

async function send(address, body) {
  const answer = await fetch(address, {
    method: 'POST',
    headers: { 'content-type': 'application/json', accept: 'application/json', 'x-lessonmark-csrf': csrf },
    body: JSON.stringify(body ?? {}),
  });
  const data = await answer.json();
  if (!answer.ok) throw new Error([data.what, data.do].filter(Boolean).join('. '));
  return data;
}

function tell(words) { $('#told').textContent = words; }

// -- where we are -------------------------------------------------------------------------------

function common() {
  const sets = panes.map(pane => new Set(Object.keys(pane.look.positions)));
  return sets.length < 2 ? sets[0] : new Set([...sets[0]].filter(name => sets[1].has(name)));
}

function phaseOf(pane) { return new Phase(pane.look.positions, locked ? common() : undefined); }

function follow() {
  // The others go to the same fraction between the same two positions.
  const leader = panes[active];
  const u = phaseOf(leader).toU(leader.s);
  if (locked) panes.forEach((pane, k) => { if (k !== active && phaseOf(pane).usable) pane.showAt(phaseOf(pane).toS(u)); });
  say(u);
}

function go(frame) { panes[active].show(frame); follow(); }

function stopAt(name) {
  const missing = [];
  for (const [k, pane] of panes.entries()) {
    if (!locked && k !== active) continue;
    const position = pane.look.positions[name];
    if (position) pane.showAt(position.s);
    else missing.push(fill(root.dataset.sayMissing, { position: name, why: pane.look.missing[name] ?? '' }));
  }
  tell(missing.join(' '));
  const lead = panes[active].look.positions[name] ? active : panes.findIndex(pane => pane.look.positions[name]);
  if (lead < 0) return;
  if (missing.length && locked) {
    // Where one has not got it, it stands at the same fraction between those that both have.
    const phase = phaseOf(panes[lead]);
    panes.forEach(pane => { if (!pane.look.positions[name]) pane.showAt(phaseOf(pane).toS(phase.toU(panes[lead].s))); });
  }
  say(phaseOf(panes[active]).toU(panes[active].s));
}

function atStop(pane) {
  // Nearer to a position than to any frame beside it.
  const half = (pane.times[1] - pane.times[0]) / 2 + 1e-6;
  return Object.keys(pane.look.positions).find(name => Math.abs(pane.look.positions[name].s - pane.s) <= half) ?? '';
}

// -- what is said -------------------------------------------------------------------------------

function measureAt(stop) {
  const [id] = $('#measure').value.split('@');
  return stop ? `${id}@${stop}` : id;
}

function valueWords(k) {
  const pane = panes[k];
  const key = measureAt(atStop(pane));
  const span = pane.look.values[measureAt('')];
  const found = pane.look.values[key] ?? span;
  const unit = pane.look.units[$('#measure').value] ?? '';
  const digits = unit.includes('ms') ? 0 : 1;
  if (found) return found.words;
  const curve = curves[k];
  if (curve?.times.length) {
    const at = closest(curve.times, pane.s);
    const value = curve.values[at];
    if (value !== null && Math.abs(curve.times[at] - pane.s) < 0.02) return `${text(value, digits)}${unit}`;
  }
  const why = pane.look.refused[key];
  return why ? fill(root.dataset.sayRefused, { why }) : '–';
}

function closest(times, s) {
  let best = 0;
  for (let k = 1; k < times.length; k += 1) if (Math.abs(times[k] - s) < Math.abs(times[best] - s)) best = k;
  return best;
}

function say(u) {
  const stop = atStop(panes[active]);
  for (const button of root.querySelectorAll('[data-stop]')) {
    button.setAttribute('aria-pressed', String(button.dataset.stop === stop));
    button.classList.toggle('half', panes.some(pane => !pane.look.positions[button.dataset.stop]));
  }
  panes.forEach((pane, k) => {
    const place = atStop(pane) || between(pane);
    pane.figure.querySelector('.where').textContent = `${place} · ${fill(root.dataset.sayFrame, { n: pane.frame + 1, s: text(pane.s, 3) })}`;
    const words = valueWords(k);
    pane.figure.querySelector('.value').textContent = words;
    pane.label = /\d/.test(words) && words.length < 24 ? words : '';
    pane.draw();
  });
  const scrub = $('#scrub');
  scrub.max = panes[active].times.length - 1;
  scrub.value = panes[active].frame;
  scrub.setAttribute('aria-valuetext', panes[active].figure.querySelector('.readout').textContent);
  chart?.moveTo(u);
}

function between(pane) {
  const stops = new Phase(pane.look.positions).stops;
  const next = stops.findIndex(stop => stop.s > pane.s);
  if (!stops.length) return '';
  if (next === 0) return fill(root.dataset.sayBefore, { a: stops[0].name });
  if (next < 0) return fill(root.dataset.sayBehind, { a: stops[stops.length - 1].name });
  return fill(root.dataset.sayBetween, { a: stops[next - 1].name, b: stops[next].name });
}

function sayVerdicts() {
  const chosen = $('#measure').value;
  const box = $('#verdicts');
  box.replaceChildren(...panes[0].look.verdicts.map(one => {
    const line = document.createElement('p');
    line.classList.toggle('now', one.at === chosen);
    const verdict = document.createElement('b');
    verdict.textContent = `${one.title}: ${one.verdict}`;
    line.append(verdict, `, ${one.difference}. ${one.sentence}`);
    return line;
  }));
}

function marksOf(pane) {
  const [id] = $('#measure').value.split('@');
  return Object.entries(pane.look.values)
    .filter(([key]) => key.startsWith(id + '@'))
    .map(([key, one]) => ({ u: Number(key.split('@P')[1]), value: one.value, half: one.se * Z95 }));
}

async function drawCurves() {
  const at = $('#measure').value;
  if (!at) return;
  curves = await Promise.all(panes.map(pane => read(`/swings/${pane.look.id}/curve.json?at=${encodeURIComponent(at)}`)));
  panes.forEach((pane, k) => { pane.lines = curves[k].lines; });
  chart.set(panes.map((pane, k) => ({
    stage: pane.look.stage,
    phase: new Phase(pane.look.positions),
    times: curves[k].times,
    values: curves[k].values,
    marks: marksOf(pane),
    dashed: k === 1 && panes[0].look.stage === pane.look.stage,
  })), panes[0].look.units[at] ?? '');
  say(phaseOf(panes[active]).toU(panes[active].s));
  sayVerdicts();
}

// -- corrections --------------------------------------------------------------------------------

function take(look) {
  for (const pane of panes) {
    if (pane.look.id === look.id) pane.take(look);
    else pane.look.verdicts = look.verdicts;
  }
  mark();
  return drawCurves();
}

function mark() {
  for (const pane of panes) {
    pane.figure.querySelector('.by-hand').hidden = !pane.look.corrections.length;
    pane.figure.classList.add(pane.look.stage);
  }
  root.querySelector('[data-do=undo]').disabled = !panes[active].look.corrections.length;
  if (ghost) layOver();
}

// One after the other: each correction builds on the numbers of the one before.
let last = Promise.resolve();

function inTurn(step, words) {
  last = last.then(async () => {
    root.dataset.busy = 'yes';
    try {
      const look = await step();
      if (look) { await take(look); tell(words); }
    } catch (error) { tell(error.message); } finally { root.dataset.busy = 'no'; }
  });
  return last;
}

function moveLandmark(pane, name, [x, y]) {
  const s = pane.s;
  return inTurn(() => send(`/swings/${pane.look.id}/landmark`, { keypoint: name, s, x, y }), root.dataset.sayKept);
}

function nudge(pane, name, dx, dy) {
  const frame = pane.frame;
  return inTurn(() => {
    const at = pane.point(name, frame);
    return at && send(`/swings/${pane.look.id}/landmark`, { keypoint: name, s: pane.times[frame], x: at[0] + dx, y: at[1] + dy });
  }, root.dataset.sayKept);
}

function place() {
  const pane = panes[active], s = pane.s, position = $('#position').value;
  return inTurn(() => send(`/swings/${pane.look.id}/position`, { position, s }), root.dataset.sayKept);
}

// A stick on the target line: two clicks, then the clips of this set-up are measured anew.
function stick() {
  const pane = panes[active];
  pane.stick = [];
  pane.draw();
  tell(root.dataset.sayStick);
}

function noStick() { return lay(panes[active], null); }

async function lay(pane, ends) {
  try {
    const address = pane.look.frames.replace(/frames$/, 'stick');
    const length = $('#stick-cm');
    if (ends && !length.reportValidity()) return;
    tell((await send(address, { ends, length_cm: ends && length.value ? Number(length.value) : null })).said);
  } catch (error) { tell(error.message); } finally { pane.stick = null; pane.draw(); }
}

function undo() {
  const pane = panes[active];
  return inTurn(() => pane.look.corrections.length && send(`/swings/${pane.look.id}/undo`), root.dataset.sayUndone);
}

// -- the tools ----------------------------------------------------------------------------------

function layOver() {
  panes[0].ghost = ghost && panes[1] ? { pane: panes[1], match: matchAt(panes[0], panes[1]) } : null;
  panes[0].draw();
}

function run(on) {
  cancelAnimationFrame(running);
  running = 0;
  root.querySelector('[data-do=run]').setAttribute('aria-pressed', String(on));
  if (!on) return;
  const pane = panes[active];
  const end = pane.look.span[1];
  let s = pane.s >= end ? pane.look.span[0] : pane.s;
  let last = performance.now();
  const step = now => {
    s += (now - last) / 1000 * SLOW;
    last = now;
    if (s > end) { run(false); return; }
    pane.showAt(s);
    follow();
    running = requestAnimationFrame(step);
  };
  running = requestAnimationFrame(step);
}

const tools = {
  back: () => go(panes[active].frame - 1),
  on: () => go(panes[active].frame + 1),
  run: () => run(!running),
  lock: button => { locked = !locked; button.setAttribute('aria-pressed', String(locked)); if (locked) follow(); },
  ghost: button => { ghost = !ghost; button.setAttribute('aria-pressed', String(ghost)); layOver(); },
  lines: button => toggle(button, 'showLines'),
  body: button => toggle(button, 'showBody'),
  nearer: () => (locked ? panes : [panes[active]]).forEach(pane => pane.zoomBy(1.5)),
  player: () => panes.forEach(pane => pane.closeUp()),
  whole: () => panes.forEach(pane => pane.whole()),
  place,
  undo,
  stick,
  'no-stick': noStick,
};

function toggle(button, name) {
  const on = button.getAttribute('aria-pressed') !== 'true';
  button.setAttribute('aria-pressed', String(on));
  panes.forEach(pane => { pane[name] = on; pane.draw(); });
}

function focus(pane) {
  active = panes.indexOf(pane);
  panes.forEach(one => one.figure.classList.toggle('active', one === pane));
  mark();
  say(phaseOf(pane).toU(pane.s));
}

function listen() {
  root.addEventListener('click', event => {
    const button = event.target.closest('button');
    if (!button) return;
    if (button.dataset.stop) { run(false); stopAt(button.dataset.stop); }
    else if (button.dataset.do) { if (button.dataset.do !== 'run') run(false); tools[button.dataset.do](button); }
    else if (button.dataset.nudge) {
      const pane = panes[active];
      const name = $('#keypoint').value;
      const [dx, dy] = button.dataset.nudge.split(',').map(Number);
      nudge(pane, name, dx, dy);
    }
  });
  document.addEventListener('keydown', event => {
    if (event.target.matches('input:not([type=range]), textarea, select') || event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key;
    if (/^[0-9]$/.test(key)) stopAt('P' + (key === '0' ? 10 : key));
    else if (key === 'ArrowLeft') tools.back();
    else if (key === 'ArrowRight') tools.on();
    else if (key === ' ' && !event.target.matches('button, summary')) tools.run();
    else if (key === '+') tools.nearer();
    else if (key === '-') (locked ? panes : [panes[active]]).forEach(pane => pane.zoomBy(1 / 1.5));
    else if (key === 'u' || key === 'U') undo();
    else return;
    if (key !== ' ') run(false);
    event.preventDefault();
  });
  $('#scrub').addEventListener('input', event => go(Number(event.target.value)));
  $('#measure').addEventListener('change', drawCurves);
  $('#correct').addEventListener('toggle', event => {
    for (const pane of panes) {
      pane.correcting = event.target.open;
      pane.figure.classList.toggle('correcting', event.target.open);
      pane.draw();
    }
  });
  $('#keypoint').addEventListener('change', event => panes.forEach(pane => { pane.chosen = event.target.value; pane.draw(); }));
}

function fillKeypoints() {
  const names = Object.keys(panes[0].look.paths);
  $('#keypoint').replaceChildren(...names.map(name => new Option(name.replaceAll('_', ' '), name)));
  panes.forEach(pane => { pane.chosen = names[0]; });
}

async function open() {
  for (const figure of root.querySelectorAll('.pane')) {
    figure.querySelector('.where').textContent = root.dataset.sayLoading;
  }
  try {
    for (const figure of root.querySelectorAll('.pane')) {
      const look = await read(`/swings/${figure.dataset.swing}/look.json`);
      const index = await read(look.frames + '.json');
      const store = new FrameStore(look.frames, index, frame => {
        if (frame !== pane.frame) return;
        pane.draw();
        if (ghost && pane !== panes[0]) panes[0].draw(); // what lies over the first has come
      });
      const pane = new Pane(figure, look, store, {
        focus,
        drop: moveLandmark,
        lay,
        choose: (_, name) => { $('#keypoint').value = name; },
      });
      pane.closeUp();
      panes.push(pane);
    }
  } catch (error) {
    $('.where').textContent = error.message;
    return;
  }
  chart = new CurveChart($('#curve'), u => {
    run(false);
    panes.forEach((pane, k) => { if (locked || k === active) pane.showAt(phaseOf(pane).toS(u)); });
    say(u);
  });
  listen();
  fillKeypoints();
  panes[0].figure.classList.add('active');
  mark();
  const [, stop] = $('#measure').value.split('@');
  stopAt(panes.some(pane => pane.look.positions[stop]) ? stop : 'P1');
  await drawCurves();
  root.panes = panes; // for the recorder
  root.dataset.ready = 'yes';
  root.dispatchEvent(new Event('opened'));
}

open();
