// Talking to the laptop: cards come in, what was pressed goes out.

function send(said) {
  if (!socket || socket.readyState !== WebSocket.OPEN) return false;
  socket.send(JSON.stringify(said));
  return true;
}

function connect() {
  const opening = new WebSocket(`ws://${location.host}/socket`);
  socket = opening;
  sign = 0;
  const slow = setTimeout(() => opening.close(), OPENS_WITHIN_MS);
  opening.onopen = () => {
    clearTimeout(slow);
    failures = 0;
    heard = performance.now();
    alive();
    send({ desk: wide.matches });
    // A stop that has waited for the network goes first of all that was pressed.
    if (stopping) sendStop();
  };
  opening.onmessage = (message) => { if (socket === opening) hear(JSON.parse(message.data)); };
  opening.onclose = () => {
    clearTimeout(slow);
    if (socket !== opening) return;
    socket = null;
    lose();
    failures += 1;
    if (failures % 4 === 2) checkPairing();
    setTimeout(() => { if (!socket) connect(); }, over ? 1000 : RETRY_MS);
  };
}

/** A socket is refused without a reason; a page that is not paired any more has to say so. */
async function checkPairing() {
  try {
    const answer = await fetch('/', { method: 'HEAD', cache: 'no-store' });
    if (answer.status !== 401 || unpaired) return;
    if (stopping || unheard) shutOut();
    else location.reload();
  } catch { /* out of touch */ }
}

/** Begins anew at once: the network is back, or the phone woke. */
function again() {
  const old = socket;
  socket = null;
  if (old) old.close();
  connect();
}

function lose() {
  inTouch = false;
  draw();
}

function alive() {
  if (document.visibilityState === 'visible') send({ alive: ++number });
}

function hear(message) {
  heard = performance.now();
  if ('over' in message) {
    over = message.over;
    lose();
    draw();
    return;
  }
  if ('plan' in message) { plan = message.plan; drawn = ''; }
  if ('desk' in message) { desks = message.desk; drawDesk(); }
  if (message.alive >= sign && sign) {
    if (stopping) arrived('it has arrived.');
    sign = unheard = 0;
  }
  if ('refused' in message) { pending = null; pressing = 0; slip = message.refused; drawn = ''; }
  if ('card' in message) take(message.card);
  draw();
}

function take(next) {
  // Only a card makes a question the present one.
  inTouch = true;
  over = '';
  pressing = 0;
  const before = card;
  card = next;
  if (pending && card.taken_id === pending.id) {
    pending = null;
    slip = '';
    buzz(30);
  } else if (refusals !== null && card.refusals !== refusals) {
    pending = null;
    buzz([20, 60, 20]);
  } else if (pending && (!card.question || card.question.id !== pending.id) && card.question) {
    pending = null;
  }
  refusals = card.refusals;
  document.body.dataset.taken = card.taken_id == null ? '' : card.taken_id;
  const id = card.question && card.question.id;
  // The question may be away while its answer is written: what was typed goes with the next one.
  if (id != null && id !== asked) {
    asked = id;
    rattles = more = false;
    typed = '';
    slip = '';
  }
  if (before && before.closing !== card.closing && card.closing) over = 'The visit was closed at the laptop.';
}

/** Whether a tap was meant for what is asked now: the screen may be a moment older than the newest card, and a tap so soon after
    a screen came was a second one on the screen before. */
function meant() {
  return inTouch && screen === newest() && performance.now() - shown >= FRESH_MS;
}

/** What makes it silent or softer is heard at any time; everything else one at a time, and not on a screen of this moment. */
function act(command) {
  if (command === 'stop') return stop();
  const now = performance.now(), raises = command === 'louder' || command === 'nudge-up';
  if (!['pause', 'quieter', 'nudge-down'].includes(command)) {
    // Nothing may still be rising after the thumb has left.
    if (!meant() || pressing && now - pressing < 1000 || raises && now - raised < PRESS_MS) return;
    pressing = now;
    if (raises) takesFrom((raised = now) + PRESS_MS);
  }
  buzz(15);
  if (!send({ do: command })) draw();
}

/** Answers the question that the thumb saw. */
function answer(given) {
  if (pending || !card || !card.question || card.paused || !meant()) return;
  const said = { question: card.question.id, answer: given, rattles };
  if (!send({ answer: said })) return;
  buzz(15);
  slip = '';
  pending = { id: card.question.id, key: JSON.stringify(given), at: performance.now() };
  draw();
}

/** Stop goes every way there is, and again, until it has arrived: for as long as this page lives. Which press is being sent as
    a request, how many there were, and which one has gone into the socket without a word that it came out. */
let stopping = 0, stops = 0, unheard = 0;
/* The number of the sign of life that followed a stop into this socket: its answer is that word. */
let sign = 0;
const own = crypto.getRandomValues(new Uint32Array(2)).join('-');

function stop() {
  buzz(40);
  const mine = unheard = ++stops;
  stopping = 0;
  if (!sendStop() || performance.now() - heard > 1200) postFrom(mine);
  // A socket takes what it is given and may be dead all the same.
  else setTimeout(() => { if (mine === unheard) postFrom(mine); }, ANSWERED_WITHIN_MS);
}

function sendStop() {
  if (!send({ do: 'stop' })) return false;
  sign = ++number;
  return send({ alive: sign });
}

function postFrom(mine) {
  stopping = mine;
  tell(['Stop: ', 'being sent …']);
  postStop(mine, 0, performance.now());
}

async function postStop(mine, tries, began) {
  if (mine !== stopping) return;
  const abort = new AbortController(), late = setTimeout(() => abort.abort(), POSTED_WITHIN_MS);
  try {
    // The same press keeps its name, so that the laptop does not take it for another one.
    const options = { method: 'POST', body: `${own}-${mine}`, keepalive: true, signal: abort.signal };
    const answer = await fetch('/stop', options);
    // A newer press goes its own way, about which this answer says nothing.
    if (mine !== stopping) return;
    if (answer.ok) { arrived('it has arrived.'); return; }
    if (answer.status === 410) { arrived('the visit has ended; nothing sounds.'); return; }
    if (answer.status === 401) { shutOut(); return; }
  } catch { /* again */ } finally { clearTimeout(late); }
  if (mine !== stopping) return;
  if (performance.now() - began > STOP_IS_LATE_MS) {
    tell(['Stop: ', 'NOT arrived yet, and still being sent. Stop at the laptop (space bar), or switch the amplifier off.']);
  }
  setTimeout(() => postStop(mine, tries + 1, began), Math.min(RETRY_AT_MOST_MS, 250 * 1.5 ** tries));
}

function arrived(words) {
  stopping = unheard = 0;
  tell(['Stop: ', words]);
}

/** A tone may be sounding that this phone cannot stop any more: that stays to be read before the page that pairs comes. */
function shutOut() {
  unpaired = true;
  stopping = unheard = 0;
  tell(['Stop: ', 'NOT sent: this phone is no longer paired. Stop at the laptop.']);
  setTimeout(() => location.reload(), READ_MS);
}
