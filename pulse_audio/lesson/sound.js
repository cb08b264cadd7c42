// The sound: loops that repeat without a seam, one heard at a time, and where the crank stands at what is heard now.
class Sound {
  constructor(book) {
    this.book = book;
    this.context = null;
    this.decoded = new Map();
    this.spans = []; // from when (context time) which loop turned, from which angle
    this.voice = null;
    this.restDeg = 0; // where the crank stands while nothing plays
    this.request = 0;
    this.level = 0.3;
    this.ticksOn = false;
    this.onend = () => {};
  }

  get playing() { return this.voice !== null; }

  async open() {
    if (!this.context) {
      const Context = window.AudioContext || window.webkitAudioContext;
      if (!Context) throw new Error("Web Audio");
      // At the loops' own rate the browser need not resample, and loops stay exact to the sample.
      try { this.context = new Context({ sampleRate: this.book.rate }); } catch { this.context = new Context(); }
      this.master = this.context.createGain();
      this.master.connect(this.context.destination);
      this.tickLevel = this.context.createGain();
      this.tickLevel.connect(this.master);
      this.master.gain.value = gainOf(this.level);
      this.tickLevel.gain.value = this.ticksOn ? 1 : 0;
    }
    await this.context.resume();
  }

  setLevel(level) {
    this.level = level;
    if (this.context) this.master.gain.setTargetAtTime(gainOf(level), this.context.currentTime, 0.02);
  }

  setTicks(on) {
    this.ticksOn = on;
    if (this.context) this.tickLevel.gain.setTargetAtTime(on ? 1 : 0, this.context.currentTime, 0.01);
  }

  decode(key, data) {
    if (!this.decoded.has(key)) {
      const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
      const wait = this.context.decodeAudioData(bytes.buffer);
      wait.catch(() => this.decoded.delete(key));
      this.decoded.set(key, wait);
    }
    return this.decoded.get(key);
  }

  // Play a layout at a speed, from the angle at which the crank stands; resolves to false if overtaken by another wish.
  async turn(layout, speed) {
    const request = ++this.request;
    await this.open();
    const loop = this.book.loops[layout][speed];
    const buffer = await this.decode(`${layout} ${speed}`, loop.data);
    if (request !== this.request) return false;
    const ticks = this.tickBuffer(layout, loop);
    // All that takes time is done: from here on the moment must not pass before the browser knows what to do at it.
    const at = this.context.currentTime + AHEAD_S;
    const crank = this.voice && this.voice.turns ? this.crankAt(at) : this.restDeg;
    const drawn = this.voice && this.voice.turns ? this.drawnAt(at) : this.restDeg;
    const slow = slowness(loop.rpm);
    const offset = this.loopOffset(layout, loop, crank);
    this.fadeOut(at);
    const nodes = [buffer, ticks].map((sound, k) => {
      const source = this.context.createBufferSource();
      source.buffer = sound;
      source.loop = true;
      const margin = k === 0 ? this.book.margin / this.book.rate : 0;
      source.loopStart = margin;
      source.loopEnd = margin + loop.frames / this.book.rate;
      source.start(at, margin + offset);
      return source;
    });
    this.voice = this.fadeIn(at, nodes);
    this.voice.turns = true;
    this.spans.push({ from: at, crank, drawn: slow === 1 ? crank : drawn, rpm: loop.rpm, slow, layout, speed });
    this.spans = this.spans.slice(-8);
    return true;
  }

  loopOffset(layout, loop, crankDeg) {
    const cycle = this.book.layouts[layout].cycle;
    return (((crankDeg % cycle) + cycle) % cycle) / (6 * loop.rpm);
  }

  async playOnce(key, data) {
    const request = ++this.request;
    await this.open();
    const buffer = await this.decode(key, data);
    if (request !== this.request) return false;
    const at = this.context.currentTime + AHEAD_S;
    this.rest();
    this.fadeOut(at);
    const source = this.context.createBufferSource();
    source.buffer = buffer;
    source.start(at);
    const voice = this.fadeIn(at, [source]);
    this.voice = voice;
    source.onended = () => { if (this.voice === voice) { this.voice = null; this.onend(); } };
    return true;
  }

  stop() {
    this.request++;
    if (!this.voice) return;
    this.rest();
    this.fadeOut(this.context.currentTime);
    this.voice = null;
  }

  rest() {
    if (this.voice && this.voice.turns) this.restDeg = mod(this.crankAt(this.heardTime()), 720);
  }

  fadeIn(at, nodes) {
    const gain = this.context.createGain();
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(1, at + FADE_S);
    gain.connect(this.master);
    const tickGain = this.context.createGain();
    tickGain.connect(this.tickLevel);
    nodes.forEach((node, k) => node.connect(k === 0 ? gain : tickGain));
    return { nodes, gain, tickGain };
  }

  fadeOut(at) {
    if (!this.voice) return;
    const { nodes, gain, tickGain } = this.voice;
    for (const g of [gain.gain, tickGain.gain]) {
      g.setValueAtTime(1, at);
      g.linearRampToValueAtTime(0, at + FADE_S);
    }
    nodes.forEach((node) => { node.onended = null; node.stop(at + 2 * FADE_S); });
  }

  // A soft tick at each firing, a pitch for each cylinder, a low note added to the first of the cycle.
  tickBuffer(layout, loop) {
    const key = `ticks ${layout} ${loop.rpm}`;
    if (this.decoded.has(key)) return this.decoded.get(key);
    const { cycle, fires } = this.book.layouts[layout];
    const rate = this.book.rate, size = loop.frames;
    const buffer = this.context.createBuffer(1, size, rate);
    const data = buffer.getChannelData(0);
    const cycles = Math.round((size / rate) * 6 * loop.rpm / cycle);
    const first = Math.min(...fires);
    fires.forEach((deg, cylinder) => {
      const wave = tickWave(1400 * 2 ** (cylinder / Math.max(fires.length, 4)), deg === first, rate);
      for (let c = 0; c < cycles; c++) {
        const start = Math.round(((c * cycle + deg) / (cycles * cycle)) * size);
        for (let k = 0; k < wave.length; k++) data[(start + k) % size] += wave[k];
      }
    });
    this.decoded.set(key, buffer);
    return buffer;
  }

  // The context time of what leaves the loudspeaker now; without the browser's help, less its own estimate of delay.
  heardTime() {
    const now = this.context.currentTime;
    const stamp = this.context.getOutputTimestamp ? this.context.getOutputTimestamp() : null;
    if (stamp && stamp.performanceTime > 0 && stamp.contextTime > 0) {
      const heard = stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
      if (heard <= now + 0.05 && heard > now - 1) return heard;
    }
    return now - (this.context.outputLatency || this.context.baseLatency || 0);
  }

  spanAt(time) {
    for (let k = this.spans.length - 1; k > 0; k--) if (this.spans[k].from <= time) return this.spans[k];
    return this.spans[0];
  }

  crankAt(time) {
    const span = this.spanAt(time);
    return span.crank + Math.max(0, time - span.from) * 6 * span.rpm;
  }

  drawnAt(time) {
    const span = this.spanAt(time);
    return span.drawn + Math.max(0, time - span.from) * 6 * span.rpm / span.slow;
  }
}

const FADE_S = 0.012;
const AHEAD_S = 0.08; // longer than the longest piece in which browsers fill a sound device, shorter than a pause felt
const TICK_PEAK = 0.15;

// A slider feels even when its square sets the gain; 0.8 leaves room for ticks on top of the loudest pulse.
function gainOf(level) { return 0.8 * level * level; }

function mod(value, size) { return ((value % size) + size) % size; }

// A tick of one cylinder; the first of the cycle has a low note in it.
function tickWave(hz, isFirst, rate) {
  const wave = Array.from({ length: Math.round(0.02 * rate) }, (_, k) => {
    const t = k / rate, high = Math.sin(2 * Math.PI * hz * t), low = Math.sin(2 * Math.PI * 500 * t);
    return (isFirst ? 0.5 * high + low : high) * (t / (t + 0.0005)) * Math.exp(-t / 0.003);
  });
  const peak = Math.max(...wave.map(Math.abs));
  return wave.map((value) => (TICK_PEAK * value) / peak);
}

// How many times slower than heard a speed is drawn: the eye cannot follow, and a screen cannot show, fast turning.
function slowness(rpm) { return [1, 2, 5, 10, 20, 50, 100].find((k) => rpm / k <= 160) || 200; }
