// Bring clips in: files or whole folders, one request a file, so that one broken copy stops no other.
const SUFFIX = /\.(mp4|mov|m4v|avi|mkv|webm|mts)$/i;
const csrf = document.querySelector('meta[name=lessonmark-csrf]').content;

const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key] ?? '');

async function walk(entry, folder = '') {
  if (entry.isFile) {
    const file = await new Promise((good, bad) => entry.file(good, bad));
    return [{ file, folder }];
  }
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    const some = await new Promise((good, bad) => reader.readEntries(good, bad));
    if (!some.length) break;
    for (const inner of some) found.push(...await walk(inner, folder + entry.name + '/'));
  }
  return found;
}

function send(form, { file, folder }, progress) {
  const query = new URLSearchParams({ name: file.name, folder, modified_ms: file.lastModified, kind: form.dataset.kind });
  if (form.dataset.lesson) query.set('lesson_id', form.dataset.lesson);
  return new Promise((good, bad) => {
    // Not fetch: only this tells how much of a body has left.
    const request = new XMLHttpRequest();
    request.open('POST', form.dataset.drop + '?' + query);
    request.setRequestHeader('x-lessonmark-csrf', csrf);
    request.setRequestHeader('accept', 'application/json');
    request.upload.onprogress = event => progress(event.loaded);
    request.onload = () => {
      let answer = {};
      try { answer = JSON.parse(request.responseText); } catch { answer = { what: request.responseText || request.statusText }; }
      if (request.status === 200) good(answer); else bad(new Error([answer.what, answer.do].filter(Boolean).join('. ')));
    };
    request.onerror = () => bad(new Error(request.statusText || 'offline'));
    request.send(file);
  });
}

async function bringIn(form, found) {
  const say = form.dataset;
  const state = form.querySelector('.drop-state');
  const clips = found.filter(one => SUFFIX.test(one.file.name)).sort((a, b) => a.file.lastModified - b.file.lastModified);
  if (!clips.length) return;
  const total = clips.reduce((sum, one) => sum + one.file.size, 0) || 1;
  const line = document.createElement('p');
  const bar = document.createElement('progress');
  bar.max = total;
  bar.setAttribute('aria-label', say.sayCopying.replace('{name}', ''));
  const troubles = document.createElement('ul');
  state.replaceChildren(line, bar, troubles);
  let sent = 0, fresh = 0, there = 0, lesson = null;
  for (const one of clips) {
    line.textContent = fill(say.sayCopying, { name: one.file.name });
    try {
      const answer = await send(form, one, loaded => { bar.value = sent + loaded; });
      lesson = answer.lesson;
      if (answer.new) fresh += 1; else there += 1;
    } catch (error) {
      const item = document.createElement('li');
      item.textContent = fill(say.sayFailed, { name: one.file.name, what: error.message });
      troubles.append(item);
    }
    sent += one.file.size;
    bar.value = sent;
  }
  line.textContent = fill(say.sayDone, { n: fresh, m: there });
  bar.remove();
  if (fresh && lesson && !troubles.children.length) location.assign('/lessons/' + lesson + '#clips');
  if (fresh && location.pathname === '/lessons/' + lesson) location.reload();
}

for (const form of document.querySelectorAll('form[data-drop]')) {
  for (const label of form.querySelectorAll('.scripted')) label.hidden = false;
  form.querySelector('button[type=submit]').hidden = true;
  for (const input of form.querySelectorAll('input[type=file]')) {
    input.addEventListener('change', () => {
      const found = [...input.files].map(file => ({ file, folder: (file.webkitRelativePath || '').split('/').slice(0, -1).join('/') }));
      bringIn(form, found);
    });
  }
  form.addEventListener('dragover', event => { event.preventDefault(); form.classList.add('over'); });
  form.addEventListener('dragleave', () => form.classList.remove('over'));
  form.addEventListener('drop', async event => {
    event.preventDefault();
    form.classList.remove('over');
    const entries = [...event.dataTransfer.items].map(item => item.webkitGetAsEntry?.()).filter(Boolean);
    const found = [];
    for (const entry of entries) found.push(...await walk(entry));
    bringIn(form, found);
  });
}
