// The controls: what the reader chooses, what is shown, and the test by ear.
const book = JSON.parse(document.getElementById("book").textContent);
const words = book.texts;
const sound = new Sound(book);
const motion = new Motion(book);
const byId = (id) => document.getElementById(id);
const playButton = byId("play"), status = byId("status"), angle = byId("angle"), angleText = byId("angle-text");
const moving = byId("moving"), recordingButton = byId("recording-play");
const lessMotion = window.matchMedia("(prefers-reduced-motion: reduce)");
const secret = { on: false, layout: 0, answered: true, asked: 0, right: 0 };
let nextFrame = 0;
let heardIs = "nothing"; // nothing, layout or recording

function fill(text, values) { return text.replace(/\{(\w+)\}/g, (whole, key) => (key in values ? values[key] : whole)); }
function chosen(name) { return Number(document.querySelector(`input[name="${name}"]:checked`).value); }
function number(value) { return String(Math.round(value)); }

async function playChosen() {
  await play(() => sound.turn(secret.on ? secret.layout : chosen("layout"), chosen("speed")), "layout");
}

async function play(start, what) {
  if (!sound.playing) status.textContent = words.player.loading;
  try {
    if (!(await start())) return;
    heardIs = what;
    show();
    animate();
  } catch (fault) {
    sound.stop();
    heardIs = "nothing";
    show();
    status.textContent = fill(words.player.failed, { reason: fault.message });
  }
}

function stop() {
  sound.stop();
  heardIs = "nothing";
  motion.draw(sound.restDeg);
  show();
}

function show() {
  const layout = chosen("layout"), rpm = number(book.speeds[chosen("speed")]);
  const on = heardIs === "layout";
  playButton.textContent = on ? words.player.stop : words.player.play;
  playButton.setAttribute("aria-pressed", String(on));
  if (recordingButton) {
    recordingButton.textContent = heardIs === "recording" ? words.recording.stop : words.recording.play;
    recordingButton.setAttribute("aria-pressed", String(heardIs === "recording"));
  }
  document.body.classList.toggle("secret", secret.on);
  document.querySelectorAll(".card").forEach((card) => {
    card.classList.toggle("heard", on && !secret.on && Number(card.dataset.layout) === layout);
  });
  angle.disabled = on && moving.checked && !secret.on;
  showAngle(sound.restDeg);
  status.textContent = statusText(layout, rpm);
}

function statusText(layout, rpm) {
  const name = book.layouts[layout].name;
  if (heardIs === "recording") return words.player.now_recording;
  if (heardIs === "nothing") return fill(words.player.stopped, { deg: number(sound.restDeg) });
  if (secret.on) return fill(words.player.now_secret, { rpm });
  if (!moving.checked) return fill(words.player.now_still, { layout: name, rpm });
  const factor = slowness(book.speeds[chosen("speed")]);
  return fill(factor === 1 ? words.player.now_true : words.player.now_slow, { layout: name, rpm, factor });
}

function showAngle(deg) {
  angle.value = number(deg);
  const text = fill(words.player.angle_value, { deg: number(deg) });
  angle.setAttribute("aria-valuetext", text);
  angleText.textContent = angle.disabled ? "" : text;
}

function frame() {
  if (heardIs !== "layout" || !moving.checked || secret.on) return;
  motion.draw(sound.drawnAt(sound.heardTime()));
  animate();
}

function animate() { // one picture at a time, however often it is asked for
  cancelAnimationFrame(nextFrame);
  nextFrame = requestAnimationFrame(frame);
}

function endSecret() {
  secret.on = false;
  secret.answered = true;
  document.querySelectorAll("[data-guess]").forEach((button) => { button.disabled = true; });
}

playButton.addEventListener("click", () => (heardIs === "layout" ? stop() : playChosen()));
document.querySelectorAll('input[name="layout"]').forEach((input) => {
  input.addEventListener("change", () => {
    endSecret();
    if (heardIs === "layout") playChosen(); else show();
    document.querySelector(`.card[data-layout="${input.value}"] svg`).scrollIntoView({ block: "nearest" });
  });
});
document.querySelectorAll('input[name="speed"]').forEach((input) => {
  input.addEventListener("change", () => { if (heardIs === "layout") playChosen(); else show(); });
});
if (byId("next")) {
  byId("next").addEventListener("click", () => {
    const inputs = [...document.querySelectorAll('input[name="layout"]')];
    const next = inputs[(chosen("layout") + 1) % inputs.length];
    next.checked = true;
    next.dispatchEvent(new Event("change"));
  });
}
byId("ticks").addEventListener("change", (event) => sound.setTicks(event.target.checked));
byId("volume").addEventListener("input", (event) => sound.setLevel(event.target.value / 100));
angle.addEventListener("input", () => {
  const deg = Number(angle.value);
  if (heardIs !== "layout") sound.restDeg = deg;
  motion.draw(deg);
  const text = fill(words.player.angle_value, { deg: number(deg) });
  angle.setAttribute("aria-valuetext", text);
  angleText.textContent = text;
});
moving.addEventListener("change", () => { show(); animate(); });
lessMotion.addEventListener("change", () => { moving.checked = !lessMotion.matches; show(); animate(); });
sound.onend = () => { heardIs = "nothing"; show(); };

if (recordingButton) {
  recordingButton.addEventListener("click", () => {
    endSecret();
    if (heardIs === "recording") stop();
    else play(() => sound.playOnce("recording", book.recording), "recording");
  });
}

if (byId("secret")) {
  byId("secret").addEventListener("click", () => {
    secret.on = true;
    secret.answered = false;
    secret.layout = Math.floor(Math.random() * book.layouts.length);
    byId("verdict").textContent = "";
    byId("secret").textContent = words.quiz.ear_again;
    document.querySelectorAll("[data-guess]").forEach((button) => { button.disabled = false; });
    playChosen();
  });
  document.querySelectorAll("[data-guess]").forEach((button) => {
    button.addEventListener("click", () => {
      if (secret.answered) return;
      const guess = Number(button.dataset.guess);
      const right = book.layouts[guess].alike === book.layouts[secret.layout].alike;
      secret.asked += 1;
      secret.right += right ? 1 : 0;
      const values = { name: book.layouts[secret.layout].name, right: secret.right, asked: secret.asked };
      byId("verdict").textContent = fill(right ? words.quiz.ear_right : words.quiz.ear_wrong, values);
      document.querySelector(`input[name="layout"][value="${secret.layout}"]`).checked = true;
      endSecret();
      byId("secret").focus();
      show();
      animate();
    });
  });
}

// On paper nothing can be opened: open what is folded, but not the answers.
const folded = [...document.querySelectorAll(".card details, .safe details")].filter((details) => !details.open);
window.addEventListener("beforeprint", () => folded.forEach((details) => { details.open = true; }));
window.addEventListener("afterprint", () => folded.forEach((details) => { details.open = false; }));

byId("ticks").checked = false;
moving.checked = !lessMotion.matches;
sound.setLevel(byId("volume").value / 100);
showAngle(0);
motion.draw(0);
playButton.disabled = false;
status.textContent = words.player.ready;
