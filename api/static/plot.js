// Pressure on a log axis against the site's time, drawn with BokehJS: gaps stay gaps, phases are shaded, target
// and permitted pressure are lines.

import { reader, wallClock } from "./figures.js";

// In Pa: the axis never goes lower, and reaches over these.
const LOWEST_PA = 0.13;
const LOW_PA = 13;
const HIGH_PA = 133;
const NARROW = 0.09;
const OUT_OF_SIGHT_MS = 86400000;

// The reader's order of days and months, and their hours, in the plotting library's signs.
function timeFormats(narrow) {
  const { order, twelve } = reader.how.conventions;
  const hour = twelve ? "%I:%M %p" : "%H:%M";
  const second = twelve ? "%I:%M:%S %p" : "%H:%M:%S";
  const day = { dmy: "%d %b", mdy: "%b %d", ymd: "%m-%d" }[order];
  return { minutes: hour, hourmin: hour, hours: hour, days: narrow ? day : `%a ${day}`, seconds: second, minsec: second };
}

function style(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

// BokehJS shows times as they are in UTC: shift them to the site's wall clock.
function atSite(zone) {
  const offsets = new Map();
  return (time) => {
    const hour = Math.floor(time / 3600000);
    if (!offsets.has(hour)) offsets.set(hour, wallClock(hour * 3600000, zone).offset * 60000);
    return time + offsets.get(hour);
  };
}

// Columns for BokehJS: what is drawn in the reader's unit, and what the pointer reads there.
function broken(one, shift, { number, say }) {
  const columns = { time: [], value: [], at: [], text: [] };
  const gapAt = new Set(one.gaps.map(([since]) => since));
  const put = (at, value, text) => {
    const local = new Date(shift(at));
    const clock = { hour: local.getUTCHours(), minute: local.getUTCMinutes(), second: local.getUTCSeconds() };
    columns.time.push(local.getTime());
    columns.value.push(value);
    columns.at.push(`${local.toUTCString().slice(0, 3)} ${reader.clock(clock, true)}`);
    columns.text.push(text);
  };
  one.time.forEach((at, index) => {
    put(at, number(one.value[index]), say(one.value[index]));
    if (gapAt.has(at)) put(at, NaN, "");
  });
  return columns;
}

const inUnit = (pascal) => pascal / reader.factor();

export class Plot {
  constructor(element, zone) {
    this.element = element;
    this.shift = atSite(zone);
    this.model = null;
    this.shape = "";
    this.built = false;
  }

  draw(model) {
    this.model = model;
    // New readings only move the data; anything else is drawn anew.
    const shape = JSON.stringify([model.detail.phases.map((p) => [p.kind, p.started_at, p.ended_at]), model.detail.hold_tests.map((h) => [h.id, h.limit, h.ended_at, h.verdict]), [...model.series.keys()].map((i) => i.instrument_id), model.temperature !== null]);
    if (this.built && shape === this.shape) this.update();
    else { this.shape = shape; this.build(); }
  }

  restyle() {
    if (this.model) this.build();
  }

  update() {
    [...this.model.series].forEach(([item, one], index) => { this.sources[index].data = this.pressures(item, one); });
    if (this.model.temperature && this.warm) this.warm.data = this.temperatures(this.model.temperature);
    this.setRanges();
  }

  pressures(item, one) {
    const { detail } = this.model;
    const marks = [detail.target.value, ...detail.hold_tests.map((hold) => hold.limit?.value)];
    const say = (pascal) => reader.pressure(pascal, item.accuracy, marks);
    return broken(one, this.shift, { number: inUnit, say });
  }

  temperatures(one) {
    const number = (kelvin) => reader.degrees(kelvin);
    return broken(one, this.shift, { number, say: (kelvin) => reader.temperature(kelvin) });
  }

  setRanges() {
    const all = [...this.model.series.values()];
    const values = all.flatMap((one) => one.value.filter((value) => value > 0));
    const times = all.flatMap((one) => (one.time.length ? [one.time[0], one.time.at(-1)] : []));
    const marks = [this.model.detail.target.value, ...this.model.detail.hold_tests.map((hold) => hold.limit?.value)].filter(Boolean);
    const low = inUnit(Math.max(LOWEST_PA, Math.min(...values, ...marks, LOW_PA) / 1.6));
    const high = inUnit(Math.max(...values, ...marks, HIGH_PA) * 1.6);
    const last = times.length ? Math.max(...times) : this.model.now;
    const first = times.length ? Math.min(...times) : last - 3600000;
    const pad = Math.max(60000, (last - first) * 0.02);
    const set = (range, start, end) => { if (!this.zoomed) range.setv({ start, end }); };
    this.moving = true;
    set(this.figure.x_range, this.shift(first) - pad, this.shift(last) + pad);
    set(this.figure.y_range, low, high);
    this.moving = false;
    this.follow();
  }

  follow() {
    if (!this.second) return;
    const times = reader.factor() / reader.factor(reader.beside);
    this.second.setv({ start: this.figure.y_range.start * times, end: this.figure.y_range.end * times });
  }

  build() {
    const B = window.Bokeh;
    const { detail, series, temperature } = this.model;
    this.zoomed = false;
    this.built = false;
    const narrow = this.element.clientWidth < 520;
    const ink = style("--ink");
    const soft = style("--soft");
    const line = style("--line");
    const x = new B.Range1d({ start: 0, end: 1 });
    const y = new B.Range1d({ start: inUnit(LOWEST_PA), end: inUnit(1e5) });
    const figure = B.Plotting.figure({
      height: narrow ? 320 : 370, sizing_mode: "stretch_width", x_axis_type: "datetime", y_axis_type: "log",
      x_range: x, y_range: y, tools: "xpan,xwheel_zoom,xbox_zoom,reset", active_drag: narrow ? null : "xbox_zoom",
      active_scroll: null, toolbar_location: narrow ? "below" : "above",
      background_fill_color: null, border_fill_color: null, outline_line_color: line,
      min_border_left: 4, min_border_right: 6,
    });
    figure.toolbar.logo = null;
    this.figure = figure;
    this.second = reader.beside ? new B.Range1d({ start: 0.1, end: 1e5 }) : null;
    if (this.second) {
      figure.extra_y_ranges = { second: this.second };
      figure.extra_y_scales = { second: new B.LogScale() };
    }
    const text = { axis_label_text_color: soft, major_label_text_color: soft, axis_line_color: line, major_tick_line_color: soft, minor_tick_line_color: null, axis_label_text_font: "system-ui", axis_label_text_font_style: "normal", axis_label_text_font_size: "12px", major_label_text_font: "system-ui", major_label_text_font_size: "12px" };
    const plain = () => {
      const formatter = new B.BasicTickFormatter();
      formatter.doFormat = (ticks) => ticks.map((tick) => reader.exactNumber(tick));
      return formatter;
    };
    figure.yaxes.forEach((axis) => axis.setv({ ...text, axis_label: reader.unit, formatter: plain() }));
    figure.xaxes.forEach((axis) => axis.setv({ ...text, formatter: new B.DatetimeTickFormatter(timeFormats(narrow)) }));
    if (narrow) figure.xaxes.forEach((axis) => { axis.ticker.desired_num_ticks = 4; });
    else if (this.second) figure.add_layout(new B.LogAxis({ ...text, y_range_name: "second", axis_label: reader.beside, formatter: plain() }), "right");
    figure.xgrids.forEach((grid) => grid.setv({ grid_line_color: line, grid_line_alpha: 0.5 }));
    figure.ygrids.forEach((grid) => grid.setv({ grid_line_color: line, grid_line_alpha: 0.8 }));
    this.setRanges();
    this.shade(B, detail);
    this.lines(B, detail);
    this.sources = [...series].map(([item, one], index) => {
      const source = new B.ColumnDataSource({ data: this.pressures(item, one) });
      const pump = item.position === "pump";
      figure.line({ field: "time" }, { field: "value" }, { source, line_width: pump ? 1.2 : 1.8, line_color: index === 0 || item.deciding ? style("--curve") : style("--curve-2"), line_dash: pump ? [4, 3] : [], line_join: "round" });
      return source;
    });
    this.heat(B, temperature, text, plain);
    figure.add_tools(new B.HoverTool({ tooltips: [["time", "@at"], ["reading", "@text"]], mode: "vline", line_policy: "nearest" }));
    const moved = () => {
      this.follow();
      if (!this.moving) this.zoomed = true;
    };
    this.setRanges();
    [x, y].forEach((range) => { range.change.connect(moved); });
    figure.reset.connect(() => { this.zoomed = false; this.setRanges(); });
    this.element.replaceChildren();
    this.built = true;
    B.Plotting.show(figure, this.element).then(() => {
      this.element.dataset.drawn = String([...series.values()].reduce((n, one) => n + one.time.length, 0));
    });
  }

  shade(B, detail) {
    const colour = { "pull-down": "--shade-pull", hold: "--shade-hold", "vacuum-broken": "--shade-broken" };
    const { start, end: rightmost } = this.figure.x_range;
    detail.phases.forEach((phase) => {
      if (!colour[phase.kind]) return;
      const left = this.shift(Date.parse(phase.started_at));
      // Without a right end the box reaches to the edge.
      const end = phase.ended_at ? { right: this.shift(Date.parse(phase.ended_at)) } : {};
      this.figure.add_layout(new B.BoxAnnotation({ left, ...end, fill_color: style(colour[phase.kind]), fill_alpha: 1, line_color: null, level: "underlay" }));
      // A short one has no room for its name; the table of phases has it.
      if (((end.right ?? rightmost) - left) / (rightmost - start) < NARROW) return;
      this.figure.add_layout(new B.Label({ x: left, y: 4, y_units: "screen", x_offset: 4, text: phase.kind, text_color: style("--soft"), text_font: "system-ui", text_font_size: "11px" }));
    });
  }

  lines(B, detail) {
    const label = (x, y, text, color, atEnd = false) => this.figure.add_layout(new B.Label({ x, y, text, background_fill_color: style("--card"), background_fill_alpha: 0.75, text_align: atEnd ? "right" : "left", x_offset: atEnd ? -4 : 4, y_offset: 2, text_color: color, text_font: "system-ui", text_font_size: "11px" }));
    const first = detail.phases.length ? this.shift(Date.parse(detail.phases[0].started_at)) : this.shift(Date.parse(detail.opened_at));
    const target = inUnit(detail.target.value);
    if (target) {
      this.figure.add_layout(new B.Span({ location: target, dimension: "width", line_color: style("--good"), line_dash: [2, 4], line_width: 1.5 }));
      label(first, target, `target ${reader.settingNumber(detail.target.value)}`, style("--good"));
    }
    detail.hold_tests.forEach((hold) => {
      if (!hold.limit) return;
      const from = this.shift(Date.parse(hold.started_at));
      // As long as the valve stays closed, also when the test itself is over.
      const phase = detail.phases.find((item) => item.kind === "hold" && item.started_at === hold.started_at);
      const end = phase ? phase.ended_at : hold.ended_at;
      const to = end ? this.shift(Date.parse(end)) : this.figure.x_range.end + OUT_OF_SIGHT_MS;
      const limit = inUnit(hold.limit.value);
      const source = new B.ColumnDataSource({ data: { x: [from, to], y: [limit, limit], at: ["", ""], text: ["", ""] } });
      this.figure.line({ field: "x" }, { field: "y" }, { source, line_color: style("--bad"), line_dash: [7, 4], line_width: 1.8 });
      // Where the line ends near the edge, its label ends with it.
      const late = from > this.figure.x_range.start + 0.6 * (this.figure.x_range.end - this.figure.x_range.start);
      label(late ? Math.min(to, this.figure.x_range.end) : from, limit, `permitted ${reader.settingNumber(hold.limit.value)}`, style("--bad"), late);
    });
  }

  heat(B, temperature, text, plain) {
    this.warm = null;
    if (!temperature || !temperature.time.length) return;
    const degrees = temperature.value.map((kelvin) => reader.degrees(kelvin));
    const low = Math.min(...degrees);
    const high = Math.max(...degrees);
    this.figure.extra_y_ranges = { ...this.figure.extra_y_ranges, warm: new B.Range1d({ start: low - 3, end: high + 3 }) };
    this.figure.extra_y_scales = { ...this.figure.extra_y_scales, warm: new B.LinearScale() };
    this.figure.add_layout(new B.LinearAxis({ ...text, y_range_name: "warm", axis_label: reader.how.temperature, formatter: plain(), axis_label_text_color: style("--temperature") }), "right");
    this.warm = new B.ColumnDataSource({ data: this.temperatures(temperature) });
    this.figure.line({ field: "time" }, { field: "value" }, { source: this.warm, y_range_name: "warm", line_color: style("--temperature"), line_width: 1.3, line_dash: [1, 2] });
  }
}
