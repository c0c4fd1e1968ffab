// Talking to the laptop: cards come in, what was pressed goes out.

function send(said) {
  if (!socket || socket.readyState !== WebSocket.OPEN) return false;
  socket.send(JSON.stringify(said));
  return true;
}

function connect() {
  const opening = new WebSocket(`ws://${location.host}/socket`);
  socket = opening;
  const slow = setTimeout(() => opening.close(), OPENS_WITHIN_MS);
  opening.onopen = () => {
    clearTimeout(slow);
    failures = 0;
    heard = performance.now();
    alive();
    send({ desk: wide.matches });
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
    if (answer.status === 401 && !unpaired) location.reload();
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

function act(command) {
  if (command === 'stop') return stop();
  buzz(15);
  if (command === 'louder' || command === 'nudge-up') {
    // One press at a time: nothing may still be rising after the thumb has left.
    const now = performance.now();
    if (pressing && now - pressing < 1000 || now - raised < PRESS_MS) return;
    pressing = raised = now;
  }
  if (!send({ do: command })) draw();
}

/** Answers the question that the thumb saw: what is on the screen may be a moment older than the newest card. */
function answer(given) {
  if (!inTouch || pending || !card || !card.question || card.paused || card.question.id !== onScreen) return;
  // A second tap on the same place was not meant for the next question.
  if (performance.now() - shown < FRESH_MS) return;
  const said = { question: card.question.id, answer: given, rattles };
  if (!send({ answer: said })) return;
  buzz(15);
  slip = '';
  pending = { id: card.question.id, key: JSON.stringify(given), at: performance.now() };
  draw();
}

/** Stop goes every way there is, until one has worked. */
let stopping = 0, stops = 0;
function stop() {
  buzz(40);
  const sent = send({ do: 'stop' });
  if (!sent || performance.now() - heard > 1200) {
    stopping = ++stops;
    tell(['Stop: ', 'being sent …']);
    postStop(stopping, 0);
  }
}

async function postStop(mine, tries) {
  if (mine !== stopping || tries > 400) return;
  try {
    const answer = await fetch('/stop', { method: 'POST', keepalive: true });
    // A newer press goes its own way, about which this answer says nothing.
    if (mine !== stopping) return;
    if ([401, 410].includes(answer.status) || answer.ok) stopping = 0;
    if (answer.ok) { tell(['Stop: ', 'it has arrived.']); return; }
    if (answer.status === 410) { tell(['Stop: ', 'the visit has ended; nothing sounds.']); return; }
    if (answer.status === 401) { shutOut(); return; }
  } catch { /* again */ }
  setTimeout(() => postStop(mine, tries + 1), 250);
}

/** A tone may be sounding that this phone cannot stop any more: that stays to be read before the page that pairs comes. */
function shutOut() {
  unpaired = true;
  tell(['Stop: ', 'NOT sent: this phone is no longer paired. Stop at the laptop.']);
  setTimeout(() => location.reload(), READ_MS);
}
