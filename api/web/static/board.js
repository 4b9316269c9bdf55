// Keeps a board fresh: the stream tells that something changed, and the page is fetched again and its board exchanged.
// Without this script the page reads as well; it only stands still.
'use strict';

(() => {
  const board = () => document.getElementById('board');
  const state = document.getElementById('state');
  const news = document.getElementById('news');
  const place = board().dataset.place;

  const soon = 150; // ms: one look for what comes in a row
  const patience = 10_000; // ms: for an answer
  const pulse = 60_000; // ms: a look without being told, so that a connection that died unheard is found out
  const anew = 5_000; // ms: between two tries while not live
  const newsPause = 5_000; // ms: between two announcements

  let streaming = false; // the stream is open
  let current = true; // the last look brought the board
  let stale = ''; // since when not live
  let looking = false;
  let again = false;
  let waiting = 0;
  let next = 0;

  // What is told of the connection, and only when it changes.
  function tell() {
    const live = streaming && current;
    if (live) stale = '';
    else stale = stale || document.querySelector('#as-of time').textContent;
    const text = live ? 'live' : 'not live since ' + stale;
    if (state.textContent !== text) state.textContent = text;
    state.dataset.live = live ? 'yes' : 'no';
  }

  function lookSoon() {
    waiting = waiting || setTimeout(() => { waiting = 0; look(); }, soon);
  }

  async function look() {
    if (looking) { again = true; return; }
    looking = true;
    clearTimeout(next);
    try {
      const answer = await fetch(location.href, {
        headers: { Accept: 'text/html' }, cache: 'no-store', redirect: 'error', signal: AbortSignal.timeout(patience),
      });
      if (answer.status === 401 || answer.status === 403) { location.reload(); return; } // the log-in has ended
      if (!answer.ok) throw new Error('status ' + answer.status);
      const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
      document.getElementById('as-of').replaceWith(page.getElementById('as-of'));
      show(page.getElementById('board'));
      current = true;
    } catch {
      current = false;
    }
    looking = false;
    tell();
    next = setTimeout(look, streaming && current ? pulse : anew);
    if (again) { again = false; lookSoon(); }
  }

  // show exchanges the board where it changed, and leaves the reader where they were.
  function show(fresh) {
    const old = board();
    for (const line of old.querySelectorAll('.changed')) line.classList.remove('changed');
    if (old.isEqualNode(fresh)) return;
    const said = changes(old, fresh);
    const at = document.activeElement;
    const focused = old.contains(at) && (at.getAttribute('href') || at.id);
    const held = [...old.querySelectorAll('.line, h2')].find((e) => e.getBoundingClientRect().bottom > 0);
    const top = held && held.getBoundingClientRect().top;
    old.replaceWith(fresh);
    if (focused) {
      const same = [fresh, ...fresh.querySelectorAll('a, [id]')].find((e) => e.getAttribute('href') === focused || e.id === focused);
      (same || fresh).focus({ preventScroll: true });
    }
    const stays = held && document.getElementById(held.id);
    if (stays && scrollY > 0) scrollBy(0, stays.getBoundingClientRect().top - top);
    announce(said);
  }

  // changes marks the lines that are new or other than before, and gives by line what is to be said of them.
  function changes(old, fresh) {
    const before = new Map([...old.querySelectorAll('.line')].map((line) => [line.id, line]));
    const said = new Map();
    for (const line of fresh.querySelectorAll('.line')) {
      const was = before.get(line.id);
      before.delete(line.id);
      if (was && was.dataset.said === line.dataset.said) continue;
      line.classList.add('changed');
      said.set(line.id, line.dataset.said);
    }
    for (const [id, gone] of before) said.set(id, gone.querySelector('h3').textContent + ' is gone from the board');
    return said;
  }

  // announce says what changed, politely: no more than a few lines, and not again at once.
  const unsaid = new Map();
  let saying = 0;
  function announce(said) {
    for (const [id, text] of said) unsaid.set(id, text);
    if (saying || !unsaid.size) return;
    news.textContent = unsaid.size > 3 ? unsaid.size + ' lines of the board changed.' : [...unsaid.values()].join('. ') + '.';
    unsaid.clear();
    saying = setTimeout(() => { saying = 0; announce(new Map()); }, newsPause);
  }

  function open() {
    const source = new EventSource('/v1/board/stream?place=' + encodeURIComponent(place));
    source.onopen = () => { streaming = true; look(); }; // what happened since the page was read
    source.addEventListener('board', lookSoon);
    source.addEventListener('tick', lookSoon);
    source.onerror = () => {
      streaming = false;
      tell();
      clearTimeout(next);
      next = setTimeout(look, anew);
      if (source.readyState !== EventSource.CLOSED) return; // it tries again by itself
      setTimeout(open, anew);
      lookSoon(); // the log-in may have ended
    };
  }

  addEventListener('online', lookSoon);
  document.addEventListener('visibilitychange', () => { if (!document.hidden) lookSoon(); });
  open();
})();
