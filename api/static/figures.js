// Stored SI values as text for whoever reads this page, the same as api/figures.py writes; a test compares the two.
// Everything that depends on the reader, conversion factors too, comes with the page (Figures.script).

const THIN = "\u202f";
const NO_BREAK = "\u00a0";
const MINUS = "\u2212";
const NOTHING = "–";
const COARSEST_ACCURACY = 0.5;
const FINEST = 9;
const EXACT_DIGITS = 12;
const TYPED_DIGITS = 7;
const ZERO_CELSIUS_K = 273.15;
const FAHRENHEIT_PER_K = 1.8;
const MANTISSA = [1, 2, 5];
const LADDER = [];
for (let power = -12; power < 10; power += 1) MANTISSA.forEach((mantissa) => LADDER.push(Number(`${mantissa}e${power}`)));
// As in api/sentences.py.
const SENTENCE = /[+-]?\d+ micron \([+-]?\d+(?:\.\d+)? Pa\)|\d+ micron\b|-?\d+ °C|\d+(?:\.\d+)? K\b|\d\.\d+e[+-]\d+ Pa\/s|\d+ kPa/gu;

function rung(value) {
  let at = -1;
  while (at + 1 < LADDER.length && LADDER[at + 1] <= value) at += 1;
  return at;
}

function beside(value, mark) {
  const near = 1e-9 * Math.max(1, Math.abs(mark));
  const shown = Math.floor(value + 0.5) - mark;
  const side = value - mark;
  if (Math.abs(side) <= near) return Math.abs(shown) <= near;
  return side > 0 ? shown > near : shown < -near;
}

// A number is [digits without sign, power of ten, negative].
export function stepped(value, accuracy, offset = 0, marks = []) {
  const foot = value ? LADDER[Math.max(rung(Math.abs(value)), 0)] : 0;
  const uncertainty = Math.max(Math.min(accuracy, COARSEST_ACCURACY) * foot, offset) / Math.sqrt(3);
  let at = Math.max(rung(uncertainty / 2), 0);
  const last = Math.max(at - FINEST, 0);
  while (at > last && !marks.every((mark) => beside(value / LADDER[at], mark / LADDER[at]))) at -= 1;
  const coefficient = Math.floor(value / LADDER[at] + 0.5) * MANTISSA[at % 3];
  return [String(Math.abs(coefficient)), Math.floor(at / 3) - 12, coefficient < 0];
}

function digits(value, most) {
  if (value === 0) return ["0", 0, false];
  const [mantissa, power] = Math.abs(value).toExponential(most - 1).split("e");
  return [mantissa.replace(".", ""), Number(power) - most + 1, value < 0];
}

function trimmed([row, power, negative]) {
  const short = row.replace(/^0+(?=\d)/, "").replace(/0+$/, "");
  return short ? [short, power + row.length - row.replace(/0+$/, "").length, negative] : ["0", 0, false];
}

function typed(value, factor, factors) {
  const inside = trimmed(digits(value / factor, EXACT_DIGITS));
  if (inside[0].length <= TYPED_DIGITS) return inside;
  const fewest = Math.min(...factors.map((one) => trimmed(digits(value / one, EXACT_DIGITS))[0].length));
  return trimmed(digits(value / factor, Math.max(4, fewest + 1)));
}

export class Figures {
  constructor(how) {
    this.how = how;
    this.unit = how.unit;
    this.beside = how.beside;
    this.all = Object.values(how.factors);
  }

  factor(unit = this.unit) { return this.how.factors[unit]; }

  write([row, power, negative]) {
    const { decimal, group, first, others } = this.how.conventions;
    const decimals = Math.max(-power, 0);
    const all = (row + "0".repeat(Math.max(power, 0))).padStart(decimals + 1, "0");
    let rest = all.slice(0, all.length - decimals);
    const parts = [rest.slice(-first)];
    rest = rest.slice(0, -first);
    while (rest) { parts.unshift(rest.slice(-others)); rest = rest.slice(0, -others); }
    return (negative ? MINUS : "") + parts.join(group) + (decimals ? decimal + all.slice(-decimals) : "");
  }

  pressureNumber(pascal, accuracy, marks = [], unit = this.unit) {
    if (pascal === null || pascal === undefined || !Number.isFinite(pascal)) return NOTHING;
    const factor = this.factor(unit);
    if (this.how.exact) return this.exactNumber(pascal / factor);
    const near = marks.filter((mark) => mark !== null && mark !== undefined).map((mark) => mark / factor);
    return this.write(stepped(pascal / factor, accuracy ?? this.how.accuracy, this.how.offset / factor, near));
  }

  pressure(pascal, accuracy, marks) { return this.withUnits((unit) => this.pressureNumber(pascal, accuracy, marks, unit)); }

  settingNumber(pascal, unit = this.unit) { return this.write(typed(pascal, this.factor(unit), this.all)); }

  setting(pascal) { return this.withUnits((unit) => this.settingNumber(pascal, unit)); }

  about(pascal) { return this.withUnits((unit) => this.write(trimmed(digits(pascal / this.factor(unit), 3)))); }

  withUnits(number) {
    const text = `${number(this.unit)}${THIN}${this.unit}`;
    return this.beside ? `${text} (${number(this.beside)}${THIN}${this.beside})` : text;
  }

  exactNumber(value) { return this.write(trimmed(digits(value, EXACT_DIGITS))); }

  exact(pascal) {
    const [mantissa, power] = Math.abs(pascal).toExponential().split("e");
    const row = mantissa.replace(".", "");
    const stored = `${this.write(trimmed([row, Number(power) - row.length + 1, pascal < 0]))}${THIN}Pa`;
    if (this.unit === "Pa") return `${stored}, as stored`;
    return `${this.exactNumber(pascal / this.factor())}${THIN}${this.unit}; stored: ${stored}`;
  }

  pressureRate(rate) { return `${this.number((60 * rate) / this.factor(), 2)}${THIN}${this.unit}/min`; }

  number(value, most = 3) {
    if (!Number.isFinite(value)) return NOTHING;
    return value === 0 ? "0" : this.write(digits(value, most));
  }

  degrees(kelvin) {
    const celsius = kelvin - ZERO_CELSIUS_K;
    return this.how.temperature === "°F" ? celsius * FAHRENHEIT_PER_K + 32 : celsius;
  }

  temperature(kelvin) {
    const limit = this.how.kelvin * (this.how.temperature === "°F" ? FAHRENHEIT_PER_K : 1);
    const value = this.degrees(kelvin);
    const number = this.how.exact ? trimmed(digits(value, EXACT_DIGITS)) : stepped(value, 0, limit);
    return `${this.write(number)}${THIN}${this.how.temperature}`;
  }

  temperatureDifference(kelvin) {
    if (this.how.temperature === "°C") return `${this.write(trimmed(digits(kelvin, 3)))}${THIN}K`;
    return `${this.write(trimmed(digits(kelvin * FAHRENHEIT_PER_K, 3)))}${THIN}°F`;
  }

  sentence(text, told) {
    const marks = told.filter((one) => one.kind === "setting").map((one) => one.value);
    const write = {
      reading: (one) => this.pressure(one.value, one.accuracy, marks),
      setting: (one) => this.setting(one.value),
      about: (one) => this.about(one.value),
      temperature: (one) => this.temperature(one.value),
      difference: (one) => this.temperatureDifference(one.value),
      rate: (one) => this.pressureRate(one.value),
    };
    let next = 0;
    return text.replace(SENTENCE, (found) => {
      const one = told[next];
      next += 1;
      return one ? (found.startsWith("+") ? "+" : "") + write[one.kind](one) : found;
    });
  }

  // Day and time at a site; with its offset where the reader's own clock differs.
  when(iso, zone, withSeconds = false) {
    const at = Date.parse(iso);
    const local = wallClock(at, zone);
    const { order } = this.how.conventions;
    const year = this.how.year && local.year !== this.how.year;
    const pad = (number) => String(number).padStart(2, "0");
    let day = `${local.weekday} ${local.day} ${local.month}${year ? ` ${local.year}` : ""}`;
    if (order === "ymd") day = `${local.weekday} ${local.year}-${pad(local.number)}-${pad(local.day)}`;
    if (order === "mdy") day = `${local.weekday}, ${local.month} ${local.day}${year ? `, ${local.year}` : ""}`;
    const text = `${day}, ${this.clock(local, withSeconds)}`;
    const same = this.how.zone && wallClock(at, this.how.zone).offset === local.offset;
    return same ? text : `${text} ${offsetText(local.offset)}`;
  }

  clock(local, withSeconds = false) {
    const pad = (number) => String(number).padStart(2, "0");
    const rest = pad(local.minute) + (withSeconds ? `:${pad(local.second)}` : "");
    if (!this.how.conventions.twelve) return `${pad(local.hour)}:${rest}`;
    return `${local.hour % 12 || 12}:${rest}${NO_BREAK}${local.hour < 12 ? "AM" : "PM"}`;
  }
}

const WEEKDAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const clocks = new Map();

export function wallClock(time, zone) {
  if (!clocks.has(zone)) {
    clocks.set(zone, new Intl.DateTimeFormat("en-GB", {
      timeZone: zone, year: "numeric", month: "numeric", day: "numeric",
      hour: "numeric", minute: "numeric", second: "numeric", hourCycle: "h23",
    }));
  }
  const part = Object.fromEntries(clocks.get(zone).formatToParts(time).map(({ type, value }) => [type, Number(value)]));
  const shifted = Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second);
  return {
    year: part.year, number: part.month, month: MONTHS[part.month - 1], day: part.day,
    weekday: WEEKDAYS[new Date(shifted).getUTCDay()],
    hour: part.hour, minute: part.minute, second: part.second,
    offset: Math.round((shifted - Math.floor(time / 1000) * 1000) / 60000),
  };
}

function offsetText(minutes) {
  if (minutes === 0) return "UTC";
  const rest = Math.abs(minutes) % 60;
  const hours = Math.floor(Math.abs(minutes) / 60);
  return `UTC${minutes < 0 ? MINUS : "+"}${hours}${rest ? `:${String(rest).padStart(2, "0")}` : ""}`;
}

export const reader = new Figures(JSON.parse(document.body.dataset.figures));
