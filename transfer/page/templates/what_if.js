(function () {
  "use strict";
  var data = JSON.parse(document.getElementById("what-if-data").textContent);
  function byId(id) { return document.getElementById(id); }
  function put(id, text) { byId(id).textContent = text; }
  document.querySelectorAll("[data-needs-script]").forEach(function (part) {
    part.hidden = false;
  });
  var slider = byId("mix-slider");
  if (slider) {
    var showMix = function () {
      var row = data.mix[Number(slider.value)];
      slider.setAttribute("aria-valuetext", row[1] + " live and " + row[0] + " rep minutes a week");
      put("mix-live", row[1]);
      put("mix-rep", row[0]);
      put("mix-gain", row[2]);
      put("mix-band", row[3]);
      put("mix-chance", row[4]);
    };
    slider.addEventListener("input", showMix);
    showMix();
  }
  var picker = byId("player-picker");
  if (picker) {
    var showPlayer = function () {
      var body = byId("player-rates");
      body.textContent = "";
      data.players[Number(picker.value)].forEach(function (line) {
        var row = document.createElement("tr");
        line.forEach(function (text, at) {
          var cell = document.createElement(at === 0 ? "th" : "td");
          if (at === 0) { cell.scope = "row"; }
          cell.textContent = text;
          row.appendChild(cell);
        });
        body.appendChild(row);
      });
    };
    picker.addEventListener("change", showPlayer);
    showPlayer();
  }
}());
