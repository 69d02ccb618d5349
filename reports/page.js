// Draws every chart of the page. No request is made; colours follow the style sheet, so light, dark and print need no redrawing.
(function () {
  "use strict";
  var data = JSON.parse(document.getElementById("specs").textContent);
  var left = data.charts.length, drawn = [];
  function done() { left -= 1; if (left <= 0) document.documentElement.setAttribute("data-drawn", "yes"); }
  data.charts.forEach(function (chart) {
    var place = document.getElementById(chart.id);
    vegaEmbed(place, chart.spec, {
      mode: "vega-lite", renderer: "svg", actions: false, ast: true, config: data.config, tooltip: false, logLevel: 2
    }).then(function (made) { drawn.push({ view: made.view, place: place }); done(); }, function (error) {
      place.textContent = place.getAttribute("data-failed");
      place.setAttribute("data-error", String(error));
      done();
    });
  });
  // A sheet is no screen: before printing each picture is laid out anew for its column, and for the screen again afterwards.
  var SHEET = 690, COLUMN = 332;
  window.addEventListener("beforeprint", function () {
    drawn.forEach(function (d) {
      var single = d.place.closest(".wide") || d.place.closest(".single");
      d.view.width(single ? SHEET : COLUMN).run();
    });
  });
  window.addEventListener("afterprint", function () {
    drawn.forEach(function (d) { d.view.width(d.place.clientWidth).run(); });
  });
  // A link to a folded table opens it.
  function unfold() {
    var target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    var fold = target.closest("details") || target.querySelector("details");
    if (fold) { fold.open = true; target.scrollIntoView(); }
  }
  window.addEventListener("hashchange", unfold);
  unfold();
}());
