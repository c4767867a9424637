// Pressure on a log axis against the site's time, drawn with BokehJS: gaps stay gaps, phases are shaded, target
// and permitted pressure are lines.

const MICRON_PA = 0.133322387415;
const LOWEST = 1;
const OUT_OF_SIGHT_MS = 86400000;

function style(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

// BokehJS shows times as they are in UTC: shift them to the site's wall clock.
function wallClock(zone) {
  const format = new Intl.DateTimeFormat("en-GB", { timeZone: zone, year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric", hourCycle: "h23" });
  const offsets = new Map();
  return (time) => {
    const hour = Math.floor(time / 3600000);
    if (!offsets.has(hour)) {
      const at = hour * 3600000;
      const part = Object.fromEntries(format.formatToParts(at).map(({ type, value }) => [type, Number(value)]));
      offsets.set(hour, Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second) - at);
    }
    return time + offsets.get(hour);
  };
}

function broken(one, shift) {
  const time = [];
  const value = [];
  const gapAt = new Set(one.gaps.map(([since]) => since));
  one.time.forEach((at, index) => {
    time.push(shift(at));
    value.push(one.value[index]);
    if (gapAt.has(at)) { time.push(shift(at)); value.push(NaN); }
  });
  return { time, value };
}

export class Plot {
  constructor(element, zone) {
    this.element = element;
    this.shift = wallClock(zone);
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
    [...this.model.series.values()].forEach((one, index) => { this.sources[index].data = broken(one, this.shift); });
    if (this.model.temperature && this.warm) this.warm.data = broken(this.model.temperature, this.shift);
    this.setRanges();
  }

  setRanges() {
    const all = [...this.model.series.values()];
    const values = all.flatMap((one) => one.value.filter((value) => value > 0));
    const times = all.flatMap((one) => (one.time.length ? [one.time[0], one.time.at(-1)] : []));
    const marks = [this.model.detail.target.value, ...this.model.detail.hold_tests.map((hold) => hold.limit?.value)].filter(Boolean);
    const low = Math.max(LOWEST, Math.min(...values, ...marks, 100) / 1.6);
    const high = Math.max(...values, ...marks, 1000) * 1.6;
    const last = times.length ? Math.max(...times) : this.model.now;
    const first = times.length ? Math.min(...times) : last - 3600000;
    const pad = Math.max(60000, (last - first) * 0.02);
    const set = (range, start, end) => { if (!this.zoomed) range.setv({ start, end }); };
    this.moving = true;
    set(this.figure.x_range, this.shift(first) - pad, this.shift(last) + pad);
    set(this.figure.y_range, low, high);
    this.moving = false;
    this.pascal.setv({ start: this.figure.y_range.start * MICRON_PA, end: this.figure.y_range.end * MICRON_PA });
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
    const y = new B.Range1d({ start: LOWEST, end: 1e6 });
    const figure = B.Plotting.figure({
      height: narrow ? 320 : 370, sizing_mode: "stretch_width", x_axis_type: "datetime", y_axis_type: "log",
      x_range: x, y_range: y, tools: "xpan,xwheel_zoom,xbox_zoom,reset", active_drag: narrow ? null : "xbox_zoom",
      active_scroll: null, toolbar_location: narrow ? "below" : "above",
      background_fill_color: null, border_fill_color: null, outline_line_color: line,
      min_border_left: 4, min_border_right: 6,
    });
    figure.toolbar.logo = null;
    this.figure = figure;
    this.pascal = new B.Range1d({ start: 0.1, end: 1e5 });
    figure.extra_y_ranges = { pascal: this.pascal };
    figure.extra_y_scales = { pascal: new B.LogScale() };
    const text = { axis_label_text_color: soft, major_label_text_color: soft, axis_line_color: line, major_tick_line_color: soft, minor_tick_line_color: null, axis_label_text_font: "system-ui", axis_label_text_font_style: "normal", axis_label_text_font_size: "12px", major_label_text_font: "system-ui", major_label_text_font_size: "12px" };
    const plain = () => new B.NumeralTickFormatter({ format: "0,0.[000]" });
    figure.yaxes.forEach((axis) => axis.setv({ ...text, axis_label: "micron", formatter: plain() }));
    figure.xaxes.forEach((axis) => axis.setv({ ...text, formatter: new B.DatetimeTickFormatter({ minutes: "%H:%M", hourmin: "%H:%M", hours: "%H:%M", days: narrow ? "%d %b" : "%a %d %b", seconds: "%H:%M:%S", minsec: "%H:%M:%S" }) }));
    if (narrow) figure.xaxes.forEach((axis) => { axis.ticker.desired_num_ticks = 4; });
    else figure.add_layout(new B.LogAxis({ ...text, y_range_name: "pascal", axis_label: "Pa", formatter: plain() }), "right");
    figure.xgrids.forEach((grid) => grid.setv({ grid_line_color: line, grid_line_alpha: 0.5 }));
    figure.ygrids.forEach((grid) => grid.setv({ grid_line_color: line, grid_line_alpha: 0.8 }));
    this.setRanges();
    this.shade(B, detail);
    this.lines(B, detail);
    this.sources = [...series].map(([item, one], index) => {
      const source = new B.ColumnDataSource({ data: broken(one, this.shift) });
      const pump = item.position === "pump";
      figure.line({ field: "time" }, { field: "value" }, { source, line_width: pump ? 1.2 : 1.8, line_color: index === 0 || item.deciding ? style("--curve") : style("--curve-2"), line_dash: pump ? [4, 3] : [], line_join: "round" });
      return source;
    });
    this.heat(B, temperature, text);
    figure.add_tools(new B.HoverTool({ tooltips: [["time", "@time{%a %H:%M:%S}"], ["micron", "@value{0,0.[0]}"]], formatters: { "@time": "datetime" }, mode: "vline", line_policy: "nearest" }));
    const moved = () => {
      this.pascal.setv({ start: y.start * MICRON_PA, end: y.end * MICRON_PA });
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
    detail.phases.forEach((phase) => {
      if (!colour[phase.kind]) return;
      const left = this.shift(Date.parse(phase.started_at));
      // Without a right end the box reaches to the edge.
      const end = phase.ended_at ? { right: this.shift(Date.parse(phase.ended_at)) } : {};
      this.figure.add_layout(new B.BoxAnnotation({ left, ...end, fill_color: style(colour[phase.kind]), fill_alpha: 1, line_color: null, level: "underlay" }));
      this.figure.add_layout(new B.Label({ x: left, y: 4, y_units: "screen", x_offset: 4, text: phase.kind, text_color: style("--soft"), text_font: "system-ui", text_font_size: "11px" }));
    });
  }

  lines(B, detail) {
    const label = (x, y, text, color, atEnd = false) => this.figure.add_layout(new B.Label({ x, y, text, background_fill_color: style("--card"), background_fill_alpha: 0.75, text_align: atEnd ? "right" : "left", x_offset: atEnd ? -4 : 4, y_offset: 2, text_color: color, text_font: "system-ui", text_font_size: "11px" }));
    const first = detail.phases.length ? this.shift(Date.parse(detail.phases[0].started_at)) : this.shift(Date.parse(detail.opened_at));
    const target = detail.target.value;
    if (target) {
      this.figure.add_layout(new B.Span({ location: target, dimension: "width", line_color: style("--good"), line_dash: [2, 4], line_width: 1.5 }));
      label(first, target, `target ${Math.round(target)}`, style("--good"));
    }
    detail.hold_tests.forEach((hold) => {
      if (!hold.limit) return;
      const from = this.shift(Date.parse(hold.started_at));
      // As long as the valve stays closed, also when the test itself is over.
      const phase = detail.phases.find((item) => item.kind === "hold" && item.started_at === hold.started_at);
      const end = phase ? phase.ended_at : hold.ended_at;
      const to = end ? this.shift(Date.parse(end)) : this.figure.x_range.end + OUT_OF_SIGHT_MS;
      const source = new B.ColumnDataSource({ data: { x: [from, to], y: [hold.limit.value, hold.limit.value] } });
      this.figure.line({ field: "x" }, { field: "y" }, { source, line_color: style("--bad"), line_dash: [7, 4], line_width: 1.8 });
      // Where the line ends near the edge, its label ends with it.
      const late = from > this.figure.x_range.start + 0.6 * (this.figure.x_range.end - this.figure.x_range.start);
      label(late ? Math.min(to, this.figure.x_range.end) : from, hold.limit.value, `permitted ${Math.round(hold.limit.value)}`, style("--bad"), late);
    });
  }

  heat(B, temperature, text) {
    this.warm = null;
    if (!temperature || !temperature.time.length) return;
    const low = Math.min(...temperature.value);
    const high = Math.max(...temperature.value);
    this.figure.extra_y_ranges = { ...this.figure.extra_y_ranges, warm: new B.Range1d({ start: low - 3, end: high + 3 }) };
    this.figure.extra_y_scales = { ...this.figure.extra_y_scales, warm: new B.LinearScale() };
    this.figure.add_layout(new B.LinearAxis({ ...text, y_range_name: "warm", axis_label: "°C", axis_label_text_color: style("--temperature") }), "right");
    this.warm = new B.ColumnDataSource({ data: broken(temperature, this.shift) });
    this.figure.line({ field: "time" }, { field: "value" }, { source: this.warm, y_range_name: "warm", line_color: style("--temperature"), line_width: 1.3, line_dash: [1, 2] });
  }
}
