// The coach's voice, passage by passage, together with what is on the screen while they speak.
import { ScreenLog } from './screenlog.js';

const viewer = document.querySelector('#viewer');
const box = document.querySelector('#voice');
const csrf = document.querySelector('meta[name=lessonmark-csrf]').content;
const KINDS = ['audio/webm;codecs=opus', 'audio/ogg;codecs=opus', 'audio/mp4'];
const BITS_A_SECOND = 96000;
const say = box.dataset;
const $ = selector => box.querySelector(selector);
const landmarks = viewer.querySelector('[data-do=body]');
const button = name => $(`[data-voice=${name}]`);
const fill = (message, values) => message.replace(/\{(\w+)\}/g, (_, key) => values[key] ?? '');

let log = null;
let take = null; // what is being recorded: {recorder, stream, pieces, meter, ticking}
let unsent = null; // a recording that the record has not taken yet
let insteadOf = null;
let busy = false;

function tell(words) { $('#voice-told').textContent = words; }

function clock(seconds) {
  const whole = Math.floor(seconds);
  $('#voice-clock').textContent = `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, '0')}`;
}

// -- the list -----------------------------------------------------------------------------------

async function list() {
  const answer = await fetch(`/lessons/${say.lesson}/passages`);
  if (!answer.ok) return;
  // The server's own words, escaped there.
  const part = new DOMParser().parseFromString(await answer.text(), 'text/html');
  $('#passages').replaceChildren(...part.body.childNodes);
  choose(insteadOf);
}

function choose(passage) {
  const rows = [...box.querySelectorAll('[data-again]')];
  insteadOf = rows.some(row => Number(row.dataset.again) === passage) ? passage : null;
  for (const row of rows) row.setAttribute('aria-pressed', String(Number(row.dataset.again) === insteadOf));
  return insteadOf;
}

async function change(form) {
  const answer = await fetch(form.action, { method: 'POST', body: new FormData(form), headers: { accept: 'application/json' } });
  if (!answer.ok) { const data = await answer.json(); tell([data.what, data.do].filter(Boolean).join('. ')); }
  await list();
}

// -- recording ----------------------------------------------------------------------------------

async function microphone() {
  if (!navigator.mediaDevices?.getUserMedia) throw new Error(say.sayElsewhere);
  if (!window.MediaRecorder) throw new Error(say.sayOld);
  try {
    // Levels are evened when the video is made; the browser's own riding of them would pump.
    return await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, autoGainControl: false, noiseSuppression: true }, video: false });
  } catch (error) {
    const words = { NotAllowedError: say.sayRefused, SecurityError: say.sayRefused, NotFoundError: say.sayNone, OverconstrainedError: say.sayNone };
    throw new Error(words[error.name] ?? say.sayBusy);
  }
}

async function start() {
  if ($('#voice-off').checked) { begin({ pieces: [] }); return; }
  tell(say.sayAsking);
  const stream = await microphone();
  const kind = KINDS.find(one => MediaRecorder.isTypeSupported(one));
  const recorder = new MediaRecorder(stream, { ...(kind && { mimeType: kind }), audioBitsPerSecond: BITS_A_SECOND });
  const pieces = [];
  recorder.addEventListener('dataavailable', event => { if (event.data.size) pieces.push(event.data); });
  const begun = new Promise((done, failed) => {
    recorder.addEventListener('start', () => done(performance.now()), { once: true });
    recorder.addEventListener('error', () => failed(new Error(say.sayBusy)), { once: true });
  });
  const meter = level(stream);
  recorder.start();
  try {
    begin({ recorder, stream, pieces, meter }, await begun);
  } catch (error) {
    release({ stream, meter });
    throw error;
  }
  // Unplugged in the middle: what was said so far is kept.
  stream.getAudioTracks()[0].addEventListener('ended', () => { if (take?.stream === stream) stop(); });
}

function begin(what, at = performance.now()) {
  take = what;
  log.start(at);
  if (landmarks.getAttribute('aria-pressed') === 'true') landmarks.click(); // the video has none
  landmarks.disabled = true;
  button('record').textContent = say.sayStop;
  button('record').setAttribute('aria-pressed', 'true');
  viewer.dataset.recording = 'yes';
  tell(say.sayRecording);
  take.ticking = setInterval(() => {
    const seconds = (performance.now() - at) / 1000;
    clock(seconds);
    if (seconds >= Number(say.longestS)) stop(fill(say.sayEnded, { n: Math.round(Number(say.longestS) / 60) }));
  }, 200);
}

// Show how loud it is, so that a dead microphone is seen at once.
function level(stream) {
  try {
    const context = new AudioContext();
    const analyser = context.createAnalyser();
    context.createMediaStreamSource(stream).connect(analyser);
    const samples = new Float32Array(analyser.fftSize);
    const timer = setInterval(() => {
      analyser.getFloatTimeDomainData(samples);
      // The square root spreads what is faint, as ears do.
      $('#voice-level').value = Math.sqrt(samples.reduce((most, one) => Math.max(most, Math.abs(one)), 0));
    }, 60);
    return { stop() { clearInterval(timer); $('#voice-level').value = 0; context.close(); } };
  } catch { return { stop() {} }; }
}

function release({ stream, meter }) {
  meter?.stop();
  stream?.getTracks().forEach(track => track.stop());
}

async function stop(words = '') {
  const done = take;
  take = null;
  clearInterval(done.ticking);
  const end = performance.now();
  if (done.recorder && done.recorder.state !== 'inactive') {
    const closed = new Promise(last => done.recorder.addEventListener('stop', last, { once: true }));
    done.recorder.stop();
    await closed;
  }
  release(done);
  viewer.dataset.recording = 'no';
  landmarks.disabled = false;
  button('record').textContent = say.sayRecord;
  button('record').setAttribute('aria-pressed', 'false');
  const seen = { ...log.stop(end), swings: log.panes.map(pane => pane.look.id), at: viewer.querySelector('#measure').value };
  unsent = { seen, sound: done.recorder ? new Blob(done.pieces, { type: done.recorder.mimeType }) : null, insteadOf, words };
  await send();
}

async function send() {
  const { seen, sound, words } = unsent;
  const body = new FormData();
  body.append('log', new Blob([JSON.stringify(seen)], { type: 'application/json' }), 'log.json');
  if (sound) body.append('sound', sound, 'voice');
  if (unsent.insteadOf !== null) body.append('instead_of', unsent.insteadOf);
  tell(say.saySending);
  try {
    const answer = await fetch(`/lessons/${say.lesson}/passages`, { method: 'POST', body, headers: { accept: 'application/json', 'x-lessonmark-csrf': csrf } });
    const data = await answer.json();
    if (!answer.ok) throw new Error([data.what, data.do].filter(Boolean).join('. ') + '.');
    tell([words, unsent.insteadOf === null ? say.sayKept : say.sayReplaced, data.heard === false ? say.sayFaint : ''].filter(Boolean).join(' '));
    unsent = null;
    insteadOf = null;
  } catch (error) {
    tell(fill(say.sayNotSent, { what: error instanceof TypeError ? say.sayLost : error.message }));
  }
  button('send').hidden = unsent === null;
  await list();
  box.dataset.takes = Number(box.dataset.takes ?? 0) + 1;
}

async function toggle() {
  if (busy) return;
  busy = true;
  box.open = true;
  try {
    if (take) await stop();
    else if (unsent) await send(); // one recording is never thrown away for the next
    else await start();
  } catch (error) {
    tell(error.message);
  } finally {
    busy = false;
  }
}

// -- hands --------------------------------------------------------------------------------------

function draw() {
  const on = !log.drawing;
  box.open = true;
  log.draw(on);
  button('draw').setAttribute('aria-pressed', String(on));
}

const tools = { record: toggle, draw, clear: () => log.wipe(), send: toggle };

function frame() { viewer.querySelector('.panes').classList.toggle('framed', box.open); }

function listen() {
  box.addEventListener('click', event => {
    const pressed = event.target.closest('button');
    if (pressed?.dataset.voice) tools[pressed.dataset.voice]();
    else if (pressed?.dataset.again) {
      const wanted = Number(pressed.dataset.again);
      tell(choose(insteadOf === wanted ? null : wanted) === null ? '' : say.sayAgain);
    }
  });
  box.addEventListener('submit', event => { event.preventDefault(); change(event.target); });
  box.addEventListener('toggle', event => {
    if (event.target !== box) return;
    frame();
    if (!box.open && log.drawing) draw();
  });
  document.addEventListener('keydown', event => {
    if (event.target.matches('input:not([type=range], [type=checkbox]), textarea, select') || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    const key = event.key.toLowerCase();
    if (key === 'r') toggle();
    else if (key === 'd') draw();
    else if (key === 'c') log.wipe();
    else return;
    event.preventDefault();
  });
  window.addEventListener('beforeunload', event => { if (take || unsent) event.preventDefault(); });
}

async function open() {
  log = new ScreenLog(viewer.panes);
  listen();
  const wanted = new URLSearchParams(location.search).get('passage');
  if (wanted || location.hash === '#voice') box.open = true;
  frame();
  await list();
  if (wanted && choose(Number(wanted)) !== null) tell(say.sayAgain);
  box.dataset.ready = 'yes';
}

if (viewer.dataset.ready === 'yes') open(); else viewer.addEventListener('opened', open, { once: true });
