// Plays the surfaces: every saved map of every plate on one colour scale, with contour lines.
(function () {
  "use strict";
  var source = document.getElementById("frames-data");
  var stage = document.getElementById("stage");
  if (!source || !stage) { return; }
  var data = JSON.parse(source.textContent);
  var slider = document.getElementById("slider-range");
  var button = document.getElementById("slider-play");
  var told = document.getElementById("slider-told");
  var ramp = bytes(data.ramp);
  var plates = data.plates;
  var timer = 0;

  function bytes(text) {
    return Uint8Array.from(atob(text), function (mark) { return mark.charCodeAt(0); });
  }

  plates.forEach(function (plate, number) {
    plate.z = bytes(plate.z); plate.land = bytes(plate.land);
    plate.canvas = document.getElementById("slider-canvas-" + number);
    plate.caption = document.getElementById("slider-words-" + number);
  });

  function heights(plate, frame) {
    var n = plate.nx * plate.ny, low = plate.low[frame], step = plate.span[frame] / 255;
    return Float32Array.from(plate.z.subarray(frame * n, (frame + 1) * n), function (z) { return low + z * step; });
  }

  function painted(plate, z) {
    var image = new ImageData(plate.nx, plate.ny), n = ramp.length / 3 - 1;
    for (var row = 0; row < plate.ny; row++) {
      for (var col = 0; col < plate.nx; col++) {
        var from = row * plate.nx + col, to = 4 * ((plate.ny - 1 - row) * plate.nx + col);
        var share = Math.min(1, Math.max(0, (z[from] / data.limit + 1) / 2));
        var k = 3 * Math.round(share * n), groove = Math.max(0, 1 - plate.land[from] / 128);
        for (var c = 0; c < 3; c++) { image.data[to + c] = ramp[k + c] * (1 - groove) + (128 + 5 * c) * groove; }
        image.data[to + 3] = 255;
      }
    }
    var small = document.createElement("canvas");
    small.width = plate.nx; small.height = plate.ny;
    small.getContext("2d").putImageData(image, 0, 0);
    return small;
  }

  // One contour level by marching over the squares between cell middles.
  function contour(pen, plate, z, level, px, py) {
    var nx = plate.nx, ny = plate.ny;
    function cross(a, b) { return (level - a) / (b - a); }
    for (var j = 0; j < ny - 1; j++) {
      for (var i = 0; i < nx - 1; i++) {
        var at = j * nx + i, a = z[at], b = z[at + 1], c = z[at + nx + 1], d = z[at + nx], ends = [];
        if ((a < level) !== (b < level)) { ends.push([i + cross(a, b), j]); }
        if ((b < level) !== (c < level)) { ends.push([i + 1, j + cross(b, c)]); }
        if ((d < level) !== (c < level)) { ends.push([i + cross(d, c), j + 1]); }
        if ((a < level) !== (d < level)) { ends.push([i, j + cross(a, d)]); }
        for (var k = 0; k + 1 < ends.length; k += 2) {
          pen.moveTo(px(ends[k][0]), py(ends[k][1]));
          pen.lineTo(px(ends[k + 1][0]), py(ends[k + 1][1]));
        }
      }
    }
  }

  function draw(plate, frame) {
    var canvas = plate.canvas, pen = canvas.getContext("2d");
    var box = canvas.getBoundingClientRect(), dense = window.devicePixelRatio || 1;
    var width = Math.max(80, box.width), w = plate.window, pad = 16;
    var scale = (width - 2 * pad) / (2 * w[0]), tall = 2 * w[1] * scale + 2 * pad;
    canvas.width = Math.round(width * dense); canvas.height = Math.round(tall * dense);
    canvas.style.height = tall + "px";
    pen.setTransform(dense, 0, 0, dense, 0, 0);
    var X = function (x) { return width / 2 + x * scale; }, Y = function (y) { return tall / 2 - y * scale; };
    var ink = getComputedStyle(document.documentElement).getPropertyValue("--ink").trim() || "#000";
    var z = heights(plate, frame), g = plate.cells;
    var edge = new Path2D();
    plate.outer.forEach(function (p, i) { if (i) { edge.lineTo(X(p[0]), Y(p[1])); } else { edge.moveTo(X(p[0]), Y(p[1])); } });
    edge.closePath();
    if (plate.bore > 0) { edge.moveTo(X(plate.bore), Y(0)); edge.arc(X(0), Y(0), plate.bore * scale, 0, 2 * Math.PI, true); }
    pen.save();
    pen.clip(edge, "evenodd");
    pen.imageSmoothingEnabled = true; pen.imageSmoothingQuality = "high";
    pen.drawImage(painted(plate, z), X(g[0]), Y(g[3]), (g[1] - g[0]) * scale, (g[3] - g[2]) * scale);
    var dx = (g[1] - g[0]) / plate.nx, dy = (g[3] - g[2]) / plate.ny;
    var px = function (i) { return X(g[0] + (i + 0.5) * dx); }, py = function (j) { return Y(g[2] + (j + 0.5) * dy); };
    var most = Math.ceil(data.limit / data.step);
    // On a face that is flat to within a step, the one line left would wander without a meaning.
    if (plate.span[frame] < data.step) { most = -1; }
    for (var k = -most; k <= most; k++) {
      pen.beginPath();
      contour(pen, plate, z, (k + 1e-6) * data.step, px, py);
      pen.strokeStyle = "rgba(40,44,50,.7)"; pen.lineWidth = k === 0 ? 1.3 : 0.7;
      pen.setLineDash(k < 0 ? [3, 2] : []);
      pen.stroke();
    }
    pen.restore();
    pen.setLineDash([]); pen.strokeStyle = ink; pen.lineWidth = 1.2; pen.stroke(edge);
    pen.lineWidth = 1.4; pen.beginPath();
    [[0, w[1]], [w[0], 0], [0, -w[1]], [-w[0], 0]].forEach(function (p) {
      var sx = Math.sign(p[0]), sy = Math.sign(p[1]);
      pen.moveTo(X(p[0]), Y(p[1])); pen.lineTo(X(p[0]) + 6 * sx, Y(p[1]) - 6 * sy);
    });
    pen.stroke();
    pen.fillStyle = ink; pen.font = "11px system-ui, sans-serif"; pen.textAlign = "left";
    pen.fillText("12", X(0) + 6, Y(w[1]) - 5);
    plate.caption.textContent = plate.words[frame];
  }

  function show() {
    var frame = Number(slider.value);
    plates.forEach(function (plate) { draw(plate, frame); });
    told.textContent = data.told[frame];
    slider.setAttribute("aria-valuetext", data.told[frame]);
  }

  function stop() { clearInterval(timer); timer = 0; button.textContent = "Play"; }

  function play() {
    if (timer) { stop(); return; }
    if (Number(slider.value) >= Number(slider.max)) { slider.value = 0; }
    button.textContent = "Pause";
    show();
    timer = setInterval(function () {
      if (Number(slider.value) >= Number(slider.max)) { stop(); return; }
      slider.value = Number(slider.value) + 1;
      show();
    }, 180);
  }

  slider.addEventListener("input", function () { if (timer) { stop(); } show(); });
  button.addEventListener("click", play);
  window.addEventListener("resize", show);
  if (window.matchMedia) { window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", show); }
  show();
}());
