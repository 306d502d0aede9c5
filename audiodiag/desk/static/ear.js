// Is an engine heard? From the last moments of sound, without a claim about anything else.
//
// An engine fires evenly: what is heard below 400 Hz, and how loud it is above, comes back after the same time
// again and again, and it has no pauses. Each moment gives the autocorrelation of both over 6 to 165 ms; the mean
// of some two seconds keeps what came back steadily and loses a voice whose pitch moves. A pure hum comes back too
// well to be an engine. Any other machine that beats as evenly is taken for one: the light says "engine" and means that.
"use strict";

const EAR = {
  moment: 32768, // samples of one look, 0.7 s at 48 kHz
  kept: 6, // looks that are averaged
  every_ms: 300,
  quiet: 0.0015, loud: 0.985, loud_share: 0.0005,
  thin_hz: 1200, cut_hz: 420,
  first_s: 0.006, last_s: 0.165,
  low_from: 0.22, low_period_s: 0.0095, hum_from: 0.97,
  swell_from: 0.18, swell_period_s: 0.008,
  steady_from: 0.3,
};

function thinned(wave, step, rate) {
  // Low-passed at 420 Hz (windowed sinc), every step-th value.
  const half = 4 * step, taps = new Float32Array(2 * half + 1);
  let sum = 0;
  for (let i = -half; i <= half; i += 1) {
    const x = (2 * i * EAR.cut_hz) / rate;
    taps[i + half] = (x ? Math.sin(Math.PI * x) / (Math.PI * x) : 1) * (0.5 + 0.5 * Math.cos((Math.PI * i) / half));
    sum += taps[i + half];
  }
  const thin = new Float32Array(Math.max(0, Math.floor((wave.length - 2 * half) / step)));
  for (let k = 0; k < thin.length; k += 1) {
    let value = 0;
    for (let i = 0; i < taps.length; i += 1) value += taps[i] * wave[k * step + i];
    thin[k] = value / sum;
  }
  return thin;
}

function without_drift(values, reach) {
  // The mean of the surroundings taken away: nothing slower is left.
  const sums = new Float64Array(values.length + 1);
  for (let i = 0; i < values.length; i += 1) sums[i + 1] = sums[i] + values[i];
  return values.map((value, i) => {
    const low = Math.max(0, i - reach), high = Math.min(values.length, i + reach + 1);
    return value - (sums[high] - sums[low]) / (high - low);
  });
}

function self_likeness(values, most) {
  // Normalised autocorrelation: 1 where the sound is the same again after so many values.
  const sums = new Float64Array(values.length + 1), like = new Float32Array(most + 1);
  for (let i = 0; i < values.length; i += 1) sums[i + 1] = sums[i] + values[i] ** 2;
  for (let lag = 0; lag <= most; lag += 1) {
    const end = values.length - lag;
    let both = 0;
    for (let i = 0; i < end; i += 1) both += values[i] * values[i + lag];
    like[lag] = both / Math.sqrt(sums[end] * (sums[values.length] - sums[lag]) + 1e-30);
  }
  return like;
}

function look_at(wave, rate) {
  // One moment: level, share of overdriven samples, likeness of low sound and of swelling, levels in short steps.
  let power = 0, loud = 0;
  for (const value of wave) { power += value * value; if (Math.abs(value) >= EAR.loud) loud += 1; }
  const step = Math.round(rate / EAR.thin_hz), hz = rate / step, most = Math.ceil(EAR.last_s * hz);
  const low = without_drift(thinned(wave, step, rate), Math.round(hz / 40));
  const rises = new Float32Array(wave.length);
  for (let i = 1; i < wave.length; i += 1) rises[i] = Math.abs(wave[i] - wave[i - 1]);
  const swelling = without_drift(thinned(rises, step, rate).map((value) => Math.log(Math.max(value, 1e-7))), Math.round(hz / 10));
  const width = Math.round(0.08 * hz), levels = [];
  for (let at = 0; at + width <= low.length; at += width) {
    let sum = 0;
    for (let i = 0; i < width; i += 1) sum += low[at + i] ** 2;
    levels.push(Math.sqrt(sum / width));
  }
  return { level: Math.sqrt(power / wave.length), loud_share: loud / wave.length, hz, low: self_likeness(low, most), swelling: self_likeness(swelling, most), levels };
}

function comes_back(likenesses, hz) {
  // How strongly, and after how many seconds, the mean likeness rises again out of its lowest place before.
  let floor = 1, strength = 0, period_s = 0;
  for (let lag = 0; lag < likenesses[0].length; lag += 1) {
    let mean = 0;
    for (const each of likenesses) mean += each[lag] / likenesses.length;
    floor = Math.min(floor, mean);
    const risen = Math.min(mean, mean - floor);
    if (lag >= EAR.first_s * hz && risen > strength) { strength = risen; period_s = lag / hz; }
  }
  return { strength, period_s };
}

function engine_ear() {
  // Takes moments one after the other; gives "waiting", "quiet", "loud", "engine" or "no_engine" after each.
  const looks = [], lit = [];
  return (wave, rate) => {
    const look = look_at(wave, rate);
    looks.push(look);
    if (looks.length > EAR.kept) looks.shift();
    const low = comes_back(looks.map((each) => each.low), look.hz), swell = comes_back(looks.map((each) => each.swelling), look.hz);
    const levels = looks.flatMap((each) => each.levels).sort((a, b) => a - b);
    const place = (share) => levels[Math.floor(share * levels.length)];
    const steady = place(0.1) / (place(0.9) + 1e-12);
    const by_low = low.strength >= EAR.low_from && low.strength < EAR.hum_from && low.period_s >= EAR.low_period_s;
    const by_swell = swell.strength >= EAR.swell_from && swell.period_s >= EAR.swell_period_s;
    lit.push(steady >= EAR.steady_from && (by_low || by_swell));
    if (lit.length > 3) lit.shift();
    let state = lit.filter(Boolean).length >= 2 ? "engine" : "no_engine";
    if (looks.length < EAR.kept - 2) state = "waiting";
    if (look.level < EAR.quiet) state = "quiet";
    if (look.loud_share > EAR.loud_share) state = "loud";
    return { state, level: look.level, low, swell, steady };
  };
}
