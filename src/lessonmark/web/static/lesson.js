// Follow the background work; what the coach is writing is never reloaded away.
const work = document.querySelector('#work');
const POLL_MS = 1000;
let made = null;
let first = true;

async function look() {
  let state;
  try {
    const answer = await fetch(work.dataset.state, { headers: { accept: 'application/json' } });
    if (!answer.ok) return;
    state = await answer.json();
  } catch {
    setTimeout(look, POLL_MS * 5);
    return;
  }
  let done = 0;
  let moved = false;
  for (const clip of state.clips) {
    if (clip.state === 'done' || clip.state === 'failed') done += 1;
    const row = document.querySelector(`tr[data-clip="${clip.id}"]`);
    if (!row) { moved = true; continue; }
    if (row.dataset.state !== clip.state && (clip.state === 'done' || clip.state === 'failed')) moved = true;
    row.querySelector('[data-words]').textContent = clip.words;
    const bar = row.querySelector('progress');
    bar.hidden = clip.state !== 'working';
    bar.value = clip.progress;
  }
  if (!first && state.made !== made) moved = true;
  made = state.made;
  first = false;
  const words = work.dataset.say.replace('{done}', done).replace('{n}', state.clips.length);
  if (moved || (!state.busy && !state.stale)) {
    refresh(state);
    return;
  }
  if (state.busy) show(words);
  setTimeout(look, POLL_MS);
}

function refresh(state) {
  if (atHand()) { setTimeout(refresh, POLL_MS / 2, state); return; }
  if (idle()) { location.reload(); return; }
  offer();
  if (state.busy || state.stale) setTimeout(look, POLL_MS * 2);
}

// A reload would cancel what was just sent, or take the button from under the finger.
const SENDING_MS = 20000;
let sent = -Infinity;
let pressed = -Infinity;
document.addEventListener('submit', event => { sent = event.timeStamp; });
document.addEventListener('pointerdown', event => { pressed = event.timeStamp; }, true);
addEventListener('pageshow', () => { sent = -Infinity; });

function atHand() {
  const now = performance.now();
  return now - sent < SENDING_MS || now - pressed < POLL_MS;
}

function idle() {
  const at = document.activeElement;
  const writing = at && at.matches('input:not([type=file]), textarea, select');
  return !writing && !document.querySelector('form[data-touched]');
}

function show(words) {
  let line = work.querySelector('p');
  if (!line) { line = document.createElement('p'); work.replaceChildren(line); }
  if (line.textContent !== words) line.textContent = words;
}

function offer() {
  const line = document.createElement('p');
  const link = document.createElement('a');
  link.href = location.pathname;
  link.textContent = work.dataset.sayShow;
  line.append(work.dataset.sayFresh + ' ', link);
  work.replaceChildren(line);
}

document.addEventListener('input', event => event.target.form?.setAttribute('data-touched', ''));
if (work?.dataset.busy === 'yes') look();
