// The list follows the typing; without scripts the form does the same with its button.
const field = document.querySelector('[data-search]');
let running = null;
let waiting = 0;

async function look() {
  running?.abort();
  running = new AbortController();
  const address = '/?q=' + encodeURIComponent(field.value);
  try {
    const answer = await fetch(address, { signal: running.signal });
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), 'text/html');
    document.querySelector('#list').replaceWith(fresh.querySelector('#list'));
    history.replaceState(null, '', address);
  } catch (error) {
    if (error.name !== 'AbortError') throw error;
  }
}

field?.addEventListener('input', () => {
  clearTimeout(waiting);
  waiting = setTimeout(look, 120);
});
