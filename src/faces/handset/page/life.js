// Keeping the screen on, stop, and what a house does to a phone: asleep, out of reach, turned, opened again.

let lock = null, awake = null;

async function keepAwake() {
  if (document.visibilityState !== 'visible') return;
  if (isSecureContext && navigator.wakeLock) {
    if (lock && !lock.released) return;
    try { lock = await navigator.wakeLock.request('screen'); canWake = true; return; } catch { /* the other way */ }
  }
  // Without a secure context only a playing video keeps a screen on: one flat picture, behind everything.
  try {
    if (!awake) {
      const canvas = el('canvas', { width: 16, height: 16 }), pen = canvas.getContext('2d');
      awake = el('video', { id: 'awake', muted: true, loop: true, playsinline: true, 'aria-hidden': 'true', tabindex: '-1' });
      awake.muted = true;
      awake.srcObject = canvas.captureStream(2);
      setInterval(() => { pen.fillStyle = getComputedStyle(document.body).color; pen.fillRect(0, 0, 16, 16); }, 500);
      document.body.append(awake);
    }
    await awake.play();
    canWake = true;
  } catch {
    canWake = false;
    drawn = '';
    draw();
  }
}

addEventListener('pointerdown', () => { thumb = performance.now(); }, true);
for (const end of ['pointerup', 'pointercancel']) {
  addEventListener(end, () => {
    thumb = performance.now() - HELD_MS + CLICK_MS;
    if (!waiting) return;
    clearTimeout(waiting);
    waiting = null;
    draw();
  }, true);
}
addEventListener('pointerup', keepAwake);
addEventListener('keyup', keepAwake);

const wide = matchMedia('(min-width: 900px) and (min-height: 561px)');
wide.addEventListener('change', () => { send({ desk: wide.matches }); drawDesk(); });
let touched = -1e9;
$('stop').addEventListener('pointerdown', () => { touched = performance.now(); stop(); });
// A key or a screen reader clicks without touching.
$('stop').addEventListener('click', () => { if (performance.now() - touched > 1000) stop(); });

document.addEventListener('visibilitychange', () => {
  if (document.visibilityState !== 'visible') return;
  // What the page shows may be old: it counts again once the laptop has spoken.
  if (performance.now() - heard > 1500) { lose(); again(); }
  else alive();
  keepAwake();
});
addEventListener('online', again);
addEventListener('pageshow', (event) => { if (event.persisted) again(); });

setInterval(alive, 1000);
setInterval(() => {
  const now = performance.now();
  if (inTouch && now - heard > SILENCE_MS) { lose(); again(); }
  if (pending && now - pending.at > WRITTEN_WITHIN_MS) {
    pending = null;
    slip = 'no word from the laptop; answer again.';
    draw();
  }
}, 250);

connect();
