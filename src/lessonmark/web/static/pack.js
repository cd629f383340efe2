// Follow the making of the pack; copy the message.
const work = document.querySelector('#pack-work');
const copy = document.querySelector('[data-copy]');
const POLL_MS = 700;

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
  if (!state.busy) { show(); return; }
  work.querySelector('progress').value = state.progress;
  const words = work.querySelector('[data-doing]');
  const doing = state.doing && work.dataset.sayDoing.replace('{part}', state.doing);
  if (doing && words.textContent !== doing) words.textContent = doing;
  setTimeout(look, POLL_MS);
}

// What the coach is writing or has just sent is never reloaded away.
function show() {
  if (!document.querySelector('form[data-touched]')) { location.reload(); return; }
  const link = document.createElement('a');
  link.href = location.pathname;
  link.textContent = work.dataset.sayShow;
  const line = document.createElement('p');
  line.append(link);
  work.replaceChildren(line);
}

async function copyMessage() {
  const text = document.querySelector('#message-ready');
  const told = document.querySelector('#copied');
  try {
    await navigator.clipboard.writeText(text.value);
    told.textContent = copy.dataset.sayCopied;
  } catch {
    // Not offered on pages of another computer, and refused by some browsers.
    text.focus();
    text.select();
    told.textContent = copy.dataset.sayMarked;
  }
}

document.addEventListener('input', event => event.target.form?.setAttribute('data-touched', ''));
document.addEventListener('submit', event => event.target.setAttribute('data-touched', ''));
if (copy) {
  copy.hidden = false;
  copy.addEventListener('click', copyMessage);
}
if (work.dataset.busy === 'yes') look();
