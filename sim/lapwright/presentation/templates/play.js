// The stroke under the hand: everything that is said follows from one function, `worked`, in SI.
(function () {
  "use strict";
  var source = document.getElementById("play-data");
  if (!source) { return; }
  var data = JSON.parse(source.textContent), units = data.units;
  var PLACES = 720, TRIES = 60, TURN = 2 * Math.PI, DEGREE = Math.PI / 180;
  var FREE = { sizes: [0.05, 2.1], turn: 45, every: 40 };  // how far the sliders go: of a radius; deg; strokes
  var ROUNDS = { none: 1, half: 2, quarter: 4 }, EVEN = 8, LOCKED = 16, DRIFTS = 2;
  var words = {}, at = {}, hands = [], chosen = 0, asked = 0, moving = 0, before = {};

  function by(name) { return at[name] || (at[name] = document.getElementById("play-" + name)); }

  document.getElementById("play-words").content.querySelectorAll("[data-say]").forEach(function (p) {
    words[p.getAttribute("data-say")] = p.textContent.replace(/\s+/g, " ");
  });

  // --- words -----------------------------------------------------------------------------------

  function say(key, fields) {
    return words[key].replace(/\{(\w+)\}/g, function (all, name) { return fields[name]; });
  }
  function sentence(text) { return text.charAt(0).toUpperCase() + text.slice(1); }
  function typeset(text) { return text.replace(/(\d) (um|uin|mm|in|kPa|psi|min|h|N|lbf|%)(?!\w)/g, function (all, digit, unit) {
    return digit + "\u202f" + unit.replace(/^u/, "\u00b5"); }); }
  function number(value, figures) {
    if (value === 0) { return "0"; }
    var rounded = Number(value.toPrecision(figures || 2));
    return rounded.toFixed(Math.max(0, (figures || 2) - 1 - Math.floor(Math.log10(Math.abs(rounded)) + 1e-12)));
  }
  function inUnit(value, unit, figures) { return number(value / unit[0], figures) + " " + unit[1]; }
  function length(value) { return value / units.long[0] < 5e-4 ? "0 " + units.long[1] : inUnit(value, units.long); }
  function size(value) { return Math.abs(value) < 5e-10 ? "0 " + units.small[1] : inUnit(Math.abs(value), units.small); }
  function set(value) { return String(Number(value.toPrecision(6))); }
  function band(time, spread) {
    var hours = time >= 7170, unit = hours ? 3600 : 60;
    return number(time / unit) + (hours ? " h, " : " min, ") + number(time / spread / unit) + " to " + number(time * spread / unit);
  }
  function clock(angle) {  // which hours a line at this angle runs through
    var quarters = Math.round((3 - angle / 30) * 4), part = ((quarters % 24) + 24) % 24, hour = Math.floor(part / 4);
    function said(h) { return (h || 12) + (part % 4 ? ":" + 15 * (part % 4) : ""); }
    return said(hour) + " to " + said(hour + 6);
  }

  // --- the stroke ------------------------------------------------------------------------------

  function place(kind, hand, phi) {
    var l = hand.length / 2, w = hand.width / 2;
    if (kind === "line") { return [l * Math.sin(phi), 0]; }
    if (kind === "circle") { return [l * Math.cos(phi), l * Math.sin(phi)]; }
    if (kind === "ellipse") { return [l * Math.cos(phi), w * Math.sin(phi)]; }
    return [l * Math.sin(phi), w * Math.sin(2 * phi)];
  }
  function pace(kind, hand, phi) {  // speed along the way for each radian
    var l = hand.length / 2, w = hand.width / 2;
    if (kind === "line") { return Math.abs(l * Math.cos(phi)); }
    if (kind === "circle") { return l; }
    if (kind === "ellipse") { return Math.hypot(l * Math.sin(phi), w * Math.cos(phi)); }
    return Math.hypot(l * Math.cos(phi), 2 * w * Math.cos(2 * phi));
  }

  // Length of the way, means along it of |c|^2 and cx^2 - cy^2, and how far out it goes, and where.
  function way(kind, hand) {
    var sum = 0, square = 0, saddle = 0, reach = 0, out = 0;
    for (var k = 0; k < PLACES; k++) {
      var phi = TURN * k / PLACES, c = place(kind, hand, phi), v = pace(kind, hand, phi), far = Math.hypot(c[0], c[1]);
      sum += v; square += v * far * far; saddle += v * (c[0] * c[0] - c[1] * c[1]);
      if (far > reach * (1 + 1e-9)) { reach = far; out = phi; }
    }
    var step = TURN / PLACES;
    for (var tries = 0; tries < 20; tries++) {  // closer about the farthest
      step *= 0.5;
      [out - step, out + step].forEach(function (phi) {
        var d = place(kind, hand, phi), far = Math.hypot(d[0], d[1]);
        if (far > reach) { reach = far; out = phi; }
      });
    }
    return { path: TURN * sum / PLACES, square: square / sum, saddle: saddle / sum, reach: reach, out: out };
  }

  // --- the table -------------------------------------------------------------------------------

  // What each value along an axis counts for in the polynomial through all of them (Lagrange).
  function shares(axis, x) {
    return axis.map(function (own, i) {
      return axis.reduce(function (product, other, j) { return i === j ? product : product * (x - other) / (own - other); }, 1);
    });
  }
  function beyond(step, hand) {
    var axes = data.charts[step.chart].axes, l = hand.length / step.radius, w = hand.width / hand.length, slack = 1e-6;
    function outside(axis, x) { return x < axis[0] - slack || x > axis[axis.length - 1] + slack; }
    if (outside(axes.length, l)) { return "length"; }
    if (axes.width.length > 1 && outside(axes.width, w)) { return "width"; }
    if (hand.how === "turning") {
      if (Math.abs(hand.turn) > axes.turn[axes.turn.length - 1] + slack) { return "turn"; }
      if (Math.abs(hand.turn) * step.strokes < 360) { return "few"; }
      return hand.turn && again(hand.turn, step.strokes) ? "again" : "";
    }
    var rounds = ROUNDS[hand.how], laid = Math.ceil(step.strokes / hand.every);
    return rounds > 1 && laid % rounds && laid < EVEN * rounds ? "few" : "";
  }
  // After how many strokes the top lies as it did, where it keeps step with the stroke; 0 where it does not.
  function again(turn, strokes) {
    for (var k = 1; k <= LOCKED; k++) {
      var round = k * turn / 360;
      if (Math.abs(round - Math.round(round)) * strokes < DRIFTS && Math.round(round)) { return k; }
    }
    return 0;
  }
  function row(step, hand) {
    var chart = data.charts[step.chart], axes = chart.axes, rows = chart.rows[hand.how];
    var long = shares(axes.length, hand.length / step.radius), wide = axes.width.length > 1 ? shares(axes.width, hand.width / hand.length) : [1];
    var turns = [1];
    if (hand.how === "turning") {
      var even = axes.turn[0] === 0;  // which way it is turned does not matter
      turns = even ? shares(axes.turn.map(function (t) { return t * t; }), hand.turn * hand.turn) : shares(axes.turn, hand.turn);
    }
    return rows[0].map(function (none, cell) {
      var total = 0, k = 0, log = cell >= 6;  // metal that halves is even on a scale of powers
      for (var i = 0; i < long.length; i++) { for (var j = 0; j < wide.length; j++) { for (var t = 0; t < turns.length; t++) {
        var value = rows[k++][cell];
        if (value === null) { return null; }
        total += long[i] * wide[j] * turns[t] * (log ? Math.log(value) : value);
      } } }
      return log ? Math.exp(total) : total;
    });
  }

  // --- what follows ----------------------------------------------------------------------------

  // How flat faces bear with the top's middle `c` radii out: the pressure falls evenly to nothing at a line.
  function bearing(c) {
    var many = 400, low = c - 1, wide = 2 - c, x = [], w = [], area = 0;
    for (var k = 0; k < many; k++) {
      var s = 0.5 - 0.5 * Math.cos(Math.PI * (k + 0.5) / many), there = low + wide * s;
      x.push(there);
      w.push(2 * Math.sqrt(Math.max(0, Math.min(1 - there * there, 1 - (there - c) * (there - c)))) * Math.sin(Math.PI * (k + 0.5) / many));
      area += w[k];
    }
    function moment(line) { return x.reduce(function (sum, p, i) { return sum + Math.max(0, p - line) * (p - c) * w[i]; }, 0); }
    if (c < 1e-9) { return { mean: 1, peak: 1, share: 1 }; }
    var near = -1e6, far = 1;
    if (moment(low) >= 0) { far = low; } else { near = low; }
    for (var tries = 0; tries < TRIES; tries++) {
      var middle = far === low ? low - Math.sqrt((low - near + 1e-9) * (low - far + 1e-9)) : 0.5 * (near + far);
      if (moment(middle) > 0) { far = middle === far ? far : middle; } else { near = middle; }
      if (far < low) { break; }
    }
    if (moment(low) >= 0) {  // nothing lifts: p = 1 + slope (x - centroid), in closed form
      var first = 0, second = 0;
      x.forEach(function (p, i) { first += p * w[i]; });
      first /= area;
      x.forEach(function (p, i) { second += (p - first) * (p - first) * w[i]; });
      second /= area;
      return { mean: Math.PI, peak: 1 + (c - first) / second * (1 - first), share: 1, area: area };
    }
    var line = 0.5 * (near + far), force = 0, bears = 0;
    x.forEach(function (p, i) { if (p > line) { force += (p - line) * w[i]; bears += w[i]; } });
    return { peak: (1 - line) * area / force, share: bears / area, area: area };
  }
  // Area of the overlap of two discs of radius 1, their middles `c` apart, over that of one.
  function overlap(c) { return (2 * Math.acos(c / 2) - c * Math.sqrt(1 - c * c / 4)) / Math.PI; }

  // Metal that halves a pair which lies at an angle between two that are halved by `one` and `other`.
  function between(one, other, share) {
    if (one === null || other === null) { return null; }
    var low = Math.min(one, other), high = Math.max(one, other);
    for (var tries = 0; tries < 50; tries++) {
      var middle = 0.5 * (low + high);
      if (share * Math.pow(4, -middle / one) + (1 - share) * Math.pow(4, -middle / other) > 0.25) { low = middle; } else { high = middle; }
    }
    return 0.5 * (low + high);
  }

  function worked(step, hand) {
    var round = step.kind === "circle", r = step.radius, area = Math.PI * r * r, along = way(step.kind, hand), miss = beyond(step, hand);
    var cells = miss ? null : row(step, hand), load = step.weight + hand.force, squeeze = load / area / step.stiffness;
    var spins = hand.how === "turning", angle = round ? 0 : 2 * hand.direction * DEGREE, c = Math.cos(angle), s = Math.sin(angle);
    var fits = hand.how === "none" || hand.how === "half";  // what is not round mates as it is laid
    var got = { way: along, beyond: miss, load: load, squeeze: squeeze, mean: load / area, lift: step.lifts * r, tips: along.reach >= r, errors: {} };
    got.dome = spins ? cells && cells[1] : data.law * along.square / (r * r);
    got.saddle = fits ? data.law * along.saddle * c / (r * r) : 0;
    got.twist = fits ? data.law * along.saddle * s / (r * r) : 0;
    got.made = got.dome === null ? null : {
      bottom: { sphere: got.dome, saddle: -got.saddle, twist: -got.twist }, top: { sphere: -got.dome, saddle: got.saddle, twist: -got.twist } };
    var speed = spins ? (cells ? cells[0] : null) : 1;
    got.rate = speed === null ? null : step.kappa * got.mean * along.path * step.pace * speed;
    got.left = cells && { bottom: { sphere: cells[2] * squeeze, saddle: cells[4] * squeeze * c, twist: cells[4] * squeeze * s },
      top: { sphere: cells[3] * squeeze, saddle: cells[5] * squeeze * c, twist: -cells[5] * squeeze * s } };
    if (cells) {
      var halves = {};
      data.errors.forEach(function (name, k) { halves[name] = cells[6 + k]; });
      [["saddles", "opposite twists"], ["saddle in saddle", "twists"]].forEach(function (pair) {
        var one = halves[pair[0]], other = halves[pair[1]];
        halves[pair[0]] = between(one, other, c * c); halves[pair[1]] = between(one, other, s * s);
      });
      data.errors.forEach(function (name) { got.errors[name] = halves[name] === null ? null : halves[name] * squeeze; });
    }
    got.off = got.half = null;
    if (got.rate !== null) {
      got.off = 0; got.half = 0;
      step.spells.forEach(function (spell) {
        var off = got.rate * spell[0] * (spell[1] + hand.force) / load;
        got.off += off; got.half += spell[2] * got.dome * off;
      });
    }
    if (!got.tips) {
      var flat = bearing(along.reach / r);
      got.pressed = got.mean / overlap(along.reach / r);
      got.peak = flat.peak * got.pressed; got.share = flat.share;
    }
    return got;
  }

  // --- the study as it is set ------------------------------------------------------------------

  function long(value) { return '"' + set(value / units.long[0]) + " " + units.long[1] + '"'; }
  function written(step, hand) {
    var stroke = 'kind = "' + step.kind + '", ';
    stroke += step.kind === "circle" ? "radius = " + long(hand.length / 2) : "length = " + long(hand.length);
    if (step.kind === "figure-eight" || step.kind === "ellipse") { stroke += ", width = " + long(hand.width); }
    if (step.kind !== "circle" && hand.direction !== 0) { stroke += ', direction = "' + set(hand.direction) + ' deg"'; }
    var every = ' deg every ' + hand.every + " strokes";
    var turn = { none: "none", quarter: "90" + every, half: "180" + every, turning: set(hand.turn) + " deg per stroke" }[hand.how];
    if (hand.how === "turning" && hand.turn === 0) { turn = "none"; }
    return step.toml.text.replace('"@stroke@"', function () { return "{ " + stroke + " }"; })
      .replace('"@turn@"', '"' + turn + '"')
      .replace('"@load@"', '"' + set(hand.force / units.force[0]) + " " + units.force[2] + '"');
  }

  // --- on the page -----------------------------------------------------------------------------

  function tell(name, text) {
    var fine = typeset(text);
    if (by(name).textContent !== fine) { by(name).textContent = fine; }
  }
  function point(c, hand, kind) {
    var a = kind === "circle" ? 0 : hand.direction * DEGREE;
    return [c[0] * Math.cos(a) - c[1] * Math.sin(a), c[0] * Math.sin(a) + c[1] * Math.cos(a)];
  }

  function draw(step, hand, got) {
    var r = step.radius, path = "", k, c;
    function here(phi) { var p = point(place(step.kind, hand, phi), hand, step.kind); return [p[0] / r, -p[1] / r]; }
    for (k = 0; k <= 120; k++) { c = here(TURN * k / 120); path += (k ? "L" : "M") + c[0].toFixed(4) + " " + c[1].toFixed(4); }
    by("way").setAttribute("d", path);
    stand(here(got.way.out), 0);
    by("lift").setAttribute("r", step.lifts);
    var wide = step.kind === "figure-eight" || step.kind === "ellipse", end = step.kind === "circle" || step.kind === "ellipse" ? 0 : TURN / 4;
    hold("length", here(end), length(hand.length) + (step.kind === "circle" ? "" : ", " + set(hand.direction) + " deg"));
    by("hold-width").style.display = wide ? "" : "none";
    if (wide) { hold("width", here(step.kind === "ellipse" ? TURN / 4 : TURN / 8), length(hand.width)); }
  }
  function hold(name, c, said) {
    by("hold-" + name).setAttribute("transform", "translate(" + c[0].toFixed(4) + " " + c[1].toFixed(4) + ")");
    by("hold-" + name).setAttribute("aria-valuetext", said);
    by("hold-" + name).setAttribute("aria-valuenow", parseFloat(said));
  }
  function stand(c, turned) {  // the top with its middle there
    by("top").setAttribute("transform", "translate(" + c[0].toFixed(4) + " " + c[1].toFixed(4) + ") rotate(" + (-turned).toFixed(2) + ")");
    by("over").setAttribute("cx", c[0].toFixed(4)); by("over").setAttribute("cy", c[1].toFixed(4));
    by("middle").setAttribute("cx", c[0].toFixed(4)); by("middle").setAttribute("cy", c[1].toFixed(4));
  }

  var ramp = Uint8Array.from(atob(data.ramp), function (mark) { return mark.charCodeAt(0); });
  function colour(image, i, share) {
    var k = 3 * Math.round(Math.min(1, Math.max(0, share)) * (ramp.length / 3 - 1));
    image.data[i] = ramp[k]; image.data[i + 1] = ramp[k + 1]; image.data[i + 2] = ramp[k + 2]; image.data[i + 3] = 255;
  }
  function paint(name, forms) {
    var canvas = by("face-" + name), pen = canvas.getContext("2d"), n = canvas.width, image = pen.createImageData(n, n);
    for (var j = 0; j < n; j++) { for (var i = 0; i < n; i++) {
      var x = (2 * i + 1) / n - 1, y = 1 - (2 * j + 1) / n;
      var z = forms ? forms.sphere * (0.5 - x * x - y * y) + 0.5 * forms.saddle * (x * x - y * y) + forms.twist * x * y : 0;
      colour(image, 4 * (j * n + i), 0.5 + z / 1.2);
    } }
    pen.putImageData(image, 0, 0);
  }

  function shape(forms, plate, scale) {  // in words: dome or dish, then where it stands high
    var least = units.little, parts = [], sphere = forms.sphere * scale;
    if (Math.abs(sphere) >= least) { parts.push(say((plate ? "" : "bit.") + (sphere > 0 ? "domed" : "hollow"), { plate: plate, size: size(sphere) })); }
    else if (plate) { parts.push(say("still", { plate: plate })); }
    ["saddle", "twist"].forEach(function (key) {
      var value = forms[key] * scale;
      if (Math.abs(value) >= least) { parts.push(say((value > 0 ? "high." : "low.") + key, { size: size(value) })); }
    });
    return parts.join(", ");
  }

  function head(step, hand, got) {
    if (got.tips) { return say("tips", { top: step.top }); }
    var depth = units.depth[0], fields = { depth: units.depth[1], top: step.top, bottom: step.bottom, size: size((got.dome || 0) * depth) };
    var makes = got.dome === null ? "makes.unknown" : got.dome * depth < units.little ? "makes.little" : "makes";
    var turns = hand.how === "turning" || hand.how === "quarter";
    var leaves = turns ? "sphere" : step.kind !== "line" ? "curved" : hand.how === "half" ? "even" : "ridges";
    return say(makes, fields) + (got.beyond ? "." : "; " + say("leaves." + leaves) + ".");
  }

  function lines(step, hand, got) {
    var depth = units.depth[0], until = step.spread > 4 ? say("end.until") : "", name = { top: step.top, bottom: step.bottom };
    document.querySelector("h1").textContent = typeset(sentence(head(step, hand, got)));
    var axes = data.charts[step.chart].axes, last = function (axis) { return axis[axis.length - 1]; };
    var warn = [], of = { length: [step.radius, length], width: [hand.length, length] }[got.beyond];
    if (!got.tips && got.way.reach > got.lift * (1 + 1e-9)) { warn.push(say("lifts", { top: step.top, lift: length(got.lift), out: length(got.way.reach) })); }
    if (got.beyond) {
      var axis = axes[got.beyond] || [0];
      warn.push(say("beyond." + got.beyond, { strokes: step.strokes, again: again(hand.turn, step.strokes), least: of ? of[1](axis[0] * of[0]) : "", most: of ? of[1](last(axis) * of[0]) : last(axis) + " deg" }));
    }
    tell("warn", warn.join(" "));
    tell("name-top", step.top); tell("name-bottom", step.bottom);
    ["top", "bottom"].forEach(function (which) {
      tell("made-" + which, got.made ? shape(got.made[which], name[which], depth) : say("unknown", { plate: name[which] }));
    });
    var end = "";
    if (got.off !== null) {
      var level = Math.abs(got.half) < 5e-10, net = "", swap = { swapped: step.swapped };
      if (!step.net) { net = say("end.open", swap); }
      else if (level && step.swapped) { net = say("end.level", swap); }
      else {
        net = say("end.net", { top: step.top, bottom: step.bottom, size: size(got.half), more: say(got.half > 0 ? "end.more.hollow" : "end.more.domed") });
        net += step.swapped ? say("end.swapped", swap) : "";
      }
      var minutes = step.time / 60;
      end = say("end", { time: minutes >= 120 ? number(minutes / 60) + " h" : set(minutes) + " min", gauged: step.gauged ? say("end.gauged") : "",
        off: size(got.off), least: size(got.off / step.spread), most: size(got.off * step.spread), until: until, net: net });
    }
    tell("end", end);
    tell("left", got.left ? sentence(mark(step, got, name)) : say("not here"));
    tell("cuts", got.rate === null ? "" : say("mark.band", { squeeze: size(got.squeeze) }) + " " + say("cuts",
      { off: size(3600 * got.rate), least: size(3600 * got.rate / step.spread), most: size(3600 * got.rate * step.spread), until: until }));
    tell("goes-note", say("goes.note", { until: until }));
    tell("out", say("hangs", { top: step.top, out: length(got.way.reach), share: number(50 * got.way.reach / step.radius) + " %", lift: length(got.lift), tip: length(step.radius) }));
    var press = { load: inUnit(got.load, units.force), mean: inUnit(got.mean, units.pressure) };
    if (!got.tips) {
      press.out = inUnit(got.pressed, units.pressure); press.peak = inUnit(got.peak, units.pressure);
      press.share = got.share > 0.9995 ? say("press.all") : say("press.part", { share: number(100 * got.share) + " %" });
    }
    tell("press", say(got.tips ? "press.tips" : "press", press));
    by("gauge").style.width = Math.min(100, 100 * got.way.reach / step.radius).toFixed(2) + "%";
    by("gauge").parentNode.className = got.way.reach > got.lift * (1 + 1e-9) ? "gauge over" : "gauge";
    by("gauge-lift").style.left = (100 * step.lifts).toFixed(2) + "%";
  }
  function mark(step, got, name) {
    var texts = ["bottom", "top"].map(function (which) {
      return shape(got.left[which], "", 1);
    });
    var none = say("mark.none");
    return say("mark", { bottom: name.bottom, top: name.top, below: texts[0] || none, above: texts[1] || none });
  }

  function rows(step, got) {
    var body = by("errors"), names = ["dome in dish"].concat(data.errors), longest = 3 * got.squeeze;
    if (!body.firstChild) {
      names.forEach(function (name) {
        var line = body.insertRow();
        line.innerHTML = '<th scope="row"></th><td><span></span><i></i></td>';
        line.cells[0].textContent = say("error." + name);
      });
    }
    names.forEach(function (name, k) {
      var line = body.rows[k], metal = name === "dome in dish" ? null : got.errors[name], known = name === "dome in dish" ? !got.tips : !got.beyond && !got.tips;
      var never = known && metal === null, text = !known ? say("not here") : never ? say("never") : size(metal);
      if (known && !never && got.rate) { text += " (" + band(metal / got.rate, step.spread) + ")"; }
      line.className = never ? "never" : "";
      line.cells[1].lastChild.style.width = known ? (never ? 100 : Math.min(100, 100 * metal / longest)).toFixed(1) + "%" : "0";
      line.cells[1].lastChild.style.visibility = known ? "" : "hidden";
      line.cells[1].firstChild.textContent = typeset(text);
    });
  }

  // --- the hand --------------------------------------------------------------------------------

  function now() { return data.steps[chosen]; }
  function hand() { return hands[chosen]; }
  function limits(step) {
    var r = step.radius, most = Math.max(200 * units.force[0], 4 * step.force);
    return { length: [FREE.sizes[0] * r, FREE.sizes[1] * r], width: [0.01 * r, FREE.sizes[1] * r], overhang: [0.02 * r, 0.99 * r],
      direction: [-90, 90], turn: [-FREE.turn, FREE.turn], every: [1, FREE.every], force: [0, units.force[1] === "N" ? most : 50 * units.force[0]] };
  }
  var SCALE = { length: "long", width: "long", overhang: "long", force: "force" };
  function snapped(name, value) {
    var unit = units[SCALE[name]], step = unit ? (name === "force" ? unit[0] * (units.force[1] === "N" ? 1 : 0.5) : unit[2] * unit[0]) : 1;
    return Number((Math.round(value / step) * step).toPrecision(12));
  }
  function change(name, value) {
    var h = hand(), reach;
    if (name === "overhang") {
      reach = way(now().kind, h).reach;
      if (value > 0 && reach > 0) { h.length *= value / reach; h.width *= value / reach; }
    } else { h[name] = value; }
    ask();
  }

  function controls(step, h, got) {
    var most = limits(step), wide = step.kind === "figure-eight" || step.kind === "ellipse";
    var said = { length: length(h.length), width: length(h.width), direction: say("lies", { angle: set(h.direction), clock: clock(h.direction) }),
      overhang: say("over", { out: length(got.way.reach), share: number(50 * got.way.reach / step.radius) + " %" }),
      turn: say("per stroke", { turn: set(h.turn) }), every: say("strokes", { every: h.every }), force: inUnit(h.force, units.force) };
    Object.keys(most).forEach(function (name) {
      var input = by(name), value = name === "overhang" ? got.way.reach : h[name];
      input.min = most[name][0]; input.max = most[name][1];
      if (document.activeElement !== input || Math.abs(Number(input.value) - value) > 1e-3 * (most[name][1] - most[name][0])) { input.value = value; }
      input.setAttribute("aria-valuetext", said[name]);
      tell("out-" + name, said[name]);
    });
    by("set-width").hidden = !wide;
    by("set-direction").hidden = step.kind === "circle";
    by("set-turn").hidden = h.how !== "turning";
    by("set-every").hidden = h.how !== "quarter" && h.how !== "half";
    by("how").value = h.how;
    tell("kind", sentence(say("kind." + step.kind, { pace: set(60 * step.pace) })));
  }

  // What came of the last move is marked for a moment, so that one sees what follows what.
  function notice() {
    ["makes", "goes", "mark", "bears"].forEach(function (name) {
      var text = by(name).textContent;
      if (before[name] !== undefined) { by(name).classList.toggle("moved", before[name] !== text); }
      before[name] = text;
    });
  }

  function show() {
    asked = 0;
    var step = now(), h = hand(), got = worked(step, h);
    controls(step, h, got);
    draw(step, h, got);
    lines(step, h, got);
    rows(step, got);
    paint("top", got.made && got.made.top); paint("bottom", got.made && got.made.bottom);
    notice();
    if (!by("study").hidden) { study(); }
  }
  function ask() { if (!asked) { asked = requestAnimationFrame(show); } }

  function study() {
    var step = now(), text = written(step, hand()), file = data.stem + "-set.toml";
    by("text").textContent = text;
    by("save").href = "data:text/plain;charset=utf-8," + encodeURIComponent(text);
    by("save").download = file;
    var left = step.toml.left.length ? say("study.left", { keys: step.toml.left.join(", ") }) : "";
    by("study-says").textContent = say("study", { step: step.title, file: file }) + left;
  }

  Object.keys(limits(data.steps[0])).forEach(function (name) {
    by(name).addEventListener("input", function () { change(name, snapped(name, Number(by(name).value))); });
    by(name).addEventListener("keydown", function (key) {
      var by_ = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 }[key.key];
      if (!by_) { return; }
      key.preventDefault();
      nudge(name, by_);
    });
  });
  function nudge(name, by_) {
    var most = limits(now())[name], value = name === "overhang" ? way(now().kind, hand()).reach : hand()[name], small = snapped(name, 0.6 * 1), unit = units[SCALE[name]];
    small = unit ? (name === "force" ? units.force[0] : 2 * unit[2] * unit[0]) : 1;
    change(name, Math.min(most[1], Math.max(most[0], snapped(name, value + by_ * small))));
  }
  by("how").addEventListener("change", function () { change("how", by("how").value); });
  if (by("step")) { by("step").addEventListener("change", function () {
    chosen = data.steps.findIndex(function (step) { return String(step.number) === by("step").value; });
    ask();
  }); }

  function begin(step) {
    return { length: step.length, width: step.width, direction: step.direction, how: step.how, turn: step.turn, every: step.every, force: step.force };
  }
  by("again").addEventListener("click", function () { hands[chosen] = begin(now()); ask(); });
  by("write").addEventListener("click", function () { by("study").hidden = false; study(); by("study").scrollIntoView({ block: "nearest" }); by("text").focus(); });
  by("copy").addEventListener("click", function () {
    var mark = document.createRange(), chosen_ = window.getSelection();
    mark.selectNodeContents(by("text")); chosen_.removeAllRanges(); chosen_.addRange(mark);
    var done = function (ok) { by("copy").textContent = say(ok ? "copied" : "marked"); };
    if (navigator.clipboard) { navigator.clipboard.writeText(by("text").textContent).then(function () { done(true); }, function () { done(false); }); } else { done(false); }
  });

  function dragged(name, x, y) {
    var svg = by("drawing"), p = svg.createSVGPoint(), step = now(), h = hand(), most = limits(step);
    p.x = x; p.y = y;
    p = p.matrixTransform(svg.getScreenCTM().inverse());
    var vx = p.x * step.radius, vy = -p.y * step.radius, a = h.direction * DEGREE;
    function within(key, value) { h[key] = Math.min(most[key][1], Math.max(most[key][0], snapped(key, value))); }
    if (name === "length") {
      within("length", 2 * Math.hypot(vx, vy));
      var lies = Math.atan2(vy, vx) / DEGREE;
      if (step.kind !== "circle") { h.direction = Math.round(lies > 90 ? lies - 180 : lies < -90 ? lies + 180 : lies); }
    } else { within("width", 2 * Math.abs(vy * Math.cos(a) - vx * Math.sin(a))); }
    ask();
  }
  ["length", "width"].forEach(function (name) {
    var mark = by("hold-" + name);
    mark.addEventListener("pointerdown", function (press) { press.preventDefault(); mark.setPointerCapture(press.pointerId); mark.focus(); });
    mark.addEventListener("pointermove", function (press) { if (mark.hasPointerCapture(press.pointerId)) { dragged(name, press.clientX, press.clientY); } });
    mark.addEventListener("keydown", function (key) {
      var along = { ArrowRight: 1, ArrowLeft: -1 }[key.key], round = { ArrowUp: 1, ArrowDown: -1 }[key.key];
      if (!along && !round) { return; }
      key.preventDefault();
      if (name === "width") { nudge("width", along || round); } else if (along) { nudge("length", along); } else { nudge("direction", round); }
    });
  });

  by("move").addEventListener("click", function () {
    var begun = null;
    function frame(time) {
      if (!moving) { return; }
      begun = begun === null ? time : begun;
      var gone = (time - begun) / 2400, h = hand(), step = now(), turned = 0, c = point(place(step.kind, h, TURN * gone), h, step.kind);
      if (h.how === "turning") { turned = h.turn * gone; }
      if (h.how === "quarter" || h.how === "half") { turned = (h.how === "half" ? 180 : 90) * Math.floor(gone / Math.min(h.every, 2)); }
      stand([c[0] / step.radius, -c[1] / step.radius], turned);
      moving = requestAnimationFrame(frame);
    }
    if (moving) { cancelAnimationFrame(moving); moving = 0; ask(); } else { moving = requestAnimationFrame(frame); }
    by("move").textContent = say(moving ? "rest" : "move");
    by("move").setAttribute("aria-pressed", moving ? "true" : "false");
  });

  hands = data.steps.map(begin);
  if (by("step")) { by("step").value = String(now().number); }
  by("beyond").setAttribute("d", "M-3-3H3V3H-3ZM1 0A1 1 0 1 0-1 0A1 1 0 1 0 1 0Z");
  var strip = by("ramp").getContext("2d"), image = strip.createImageData(64, 1);
  for (var k = 0; k < 64; k++) { colour(image, 4 * k, k / 63); }
  strip.putImageData(image, 0, 0);
  window.lapwrightPlay = { worked: worked, written: written, steps: data.steps, begin: begin };
  show();
})();
