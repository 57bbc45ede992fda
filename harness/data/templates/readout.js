(function () {
  "use strict";
  // Frequency and value under the pointer, read back from the curves' own coordinates; arrow keys do the same.
  function numbers(text) { return text.split(" ").map(Number); }
  function points(path) { return path.getAttribute("d").slice(1).split(" L").map(numbers); }
  function shown(mhz) { return Number(mhz.toPrecision(4)) + " MHz"; }
  document.querySelectorAll("svg.chart[data-scale]").forEach(function (chart) {
    var field = numbers(chart.dataset.field), scale = numbers(chart.dataset.scale);
    var curves = Array.from(chart.querySelectorAll("path.curve")).map(function (path) {
      return {name: path.dataset.name, points: points(path), path: path};
    });
    if (curves.length === 0) { return; }
    var out = document.createElement("p");
    out.className = "readout";
    out.setAttribute("role", "status");
    out.textContent = "Point at the chart, or use the arrow keys, to read it.";
    chart.after(out);
    var line = document.createElementNS("http://www.w3.org/2000/svg", "line");
    line.setAttribute("class", "pointer");
    line.setAttribute("y1", field[1]); line.setAttribute("y2", field[3]); line.setAttribute("visibility", "hidden");
    chart.append(line);
    chart.setAttribute("tabindex", "0");
    var at = (field[0] + field[2]) / 2, height = null;
    function nearest(curve, x) {
      return curve.points.reduce(function (best, one) { return Math.abs(best[0] - x) > Math.abs(one[0] - x) ? one : best; });
    }
    function value(y) { return scale[2] + (field[3] - y) / (field[3] - field[1]) * (scale[3] - scale[2]); }
    function show() {
      var found = curves.map(function (curve) { return {curve: curve, point: nearest(curve, at)}; });
      if (found.length > 3) {
        var wanted = height === null ? (field[1] + field[3]) / 2 : height;
        found = [found.reduce(function (best, one) {
          return Math.abs(best.point[1] - wanted) > Math.abs(one.point[1] - wanted) ? one : best;
        })];
        curves.forEach(function (curve) { curve.path.classList.toggle("read", curve === found[0].curve); });
      }
      var x = found[0].point[0];
      line.setAttribute("x1", x); line.setAttribute("x2", x); line.setAttribute("visibility", "visible");
      var hz = scale[0] * Math.pow(scale[1] / scale[0], (x - field[0]) / (field[2] - field[0]));
      out.textContent = shown(hz / 1e6) + ": " + found.map(function (one) {
        return one.curve.name + " " + value(one.point[1]).toFixed(Number(chart.dataset.digits)) + " " + chart.dataset.unit;
      }).join(" · ");
    }
    function move(x, y) {
      at = Math.min(Math.max(x, field[0]), field[2]); height = y;
      show();
    }
    chart.addEventListener("pointermove", function (event) {
      var place = new DOMPoint(event.clientX, event.clientY).matrixTransform(chart.getScreenCTM().inverse());
      move(place.x, place.y);
    });
    chart.addEventListener("keydown", function (event) {
      var step = {ArrowLeft: -1, ArrowRight: 1}[event.key];
      if (step === undefined) { return; }
      event.preventDefault();
      move(at + step, height);
    });
  });
}());
