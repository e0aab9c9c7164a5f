(function () {
  "use strict";
  var plan = JSON.parse(document.getElementById("plan").textContent);
  var COLUMNS = ["date", "session", "player", "drill", "mode", "contest", "made", "minutes", "set",
    "attempt", "spot", "side", "hand", "entry", "footwork", "order", "target", "defender", "charter",
    "second_chart", "blocked", "fouled", "program", "season"];
  var kept = true;
  // What happened, in order; everything on the page is worked out from it.
  var state = { events: [], minutes: {}, charter: "", second: false, shooter: "", contest: "" };

  function byId(id) { return document.getElementById(id); }
  function put(id, text) { byId(id).textContent = text; }

  function load() {
    try {
      var text = window.localStorage.getItem(plan.key);
      if (text) { state = JSON.parse(text); }
    } catch (error) { kept = false; }
  }
  function save() {
    try {
      window.localStorage.setItem(plan.key, JSON.stringify(state));
    } catch (error) { kept = false; }
    byId("not-kept").hidden = kept;
  }

  // The floor after all events: block, line, shots of each player in each block.
  function replay() {
    var now = { block: 0, line: plan.blocks[0].line.slice(), taps: [], late: {}, joined: [],
      gone: [], started: {} };
    state.events.forEach(function (event) {
      if (event.what === "next") {
        now.block += 1;
        now.line = plan.blocks[now.block].line.concat(now.joined).filter(function (player) {
          return now.gone.indexOf(player) < 0;
        });
      } else if (event.what === "late") {
        now.joined.push(event.player);
        now.gone = now.gone.filter(function (player) { return player !== event.player; });
        now.line.push(event.player);
        if (event.elapsed > 0) { now.late[now.block + " " + event.player] = event.elapsed; }
      } else if (event.what === "out") {
        now.gone.push(event.player);
        now.joined = now.joined.filter(function (player) { return player !== event.player; });
        now.line = now.line.filter(function (player) { return player !== event.player; });
      } else if (event.what === "front") {
        now.line = [event.player].concat(now.line.filter(function (player) {
          return player !== event.player;
        }));
      } else {
        if (!(now.block in now.started)) { now.started[now.block] = event.time; }
        now.taps.push(Object.assign({ block: now.block }, event));
        if (!plan.blocks[now.block].free) {
          now.line = now.line.filter(function (player) { return player !== event.player; });
          now.line.push(event.player);
        }
      }
    });
    return now;
  }

  function own(now, block, player) {
    return now.taps.filter(function (tap) { return tap.block === block && tap.player === player; });
  }
  // Set and rung of a player's next shot: both follow from the makes before it.
  function standing(block, shots) {
    var makes = shots.filter(function (tap) { return tap.made; }).length;
    var set = block.ladder ? Math.floor(makes / block.target) + 1 : "";
    return { set: set, spot: block.ladder ? block.rungs[(makes % block.target) % block.rungs.length] : "" };
  }
  function callOf(now, player) {
    var block = plan.blocks[now.block], shots = own(now, now.block, player);
    if (block.free) { return { side: "", hand: "", entry: "", footwork: "", spot: "", set: "" }; }
    var at = Math.min(block.calls.length - 1,
      Math.floor(shots.length * block.calls.length / block.rounds));
    var call = Object.assign({}, block.calls[at]), place = standing(block, shots);
    if (block.alternate) {
      call.side = ["left", "right"][(Math.max(0, block.line.indexOf(player)) + shots.length) % 2];
    }
    call.set = place.set;
    if (block.ladder) { call.spot = place.spot; }
    return call;
  }
  function defendersOf(now) {
    var block = plan.blocks[now.block], behind = now.line.slice(1).reverse();
    return block.free ? [] : behind.slice(0, block.defenders);
  }

  function lastTap() {
    var last = state.events[state.events.length - 1];
    return last && last.what === "tap" ? last : null;
  }
  function happened(event) { state.events.push(event); save(); show(); }

  function tap(made) {
    var now = replay(), block = plan.blocks[now.block];
    var player = block.free ? state.shooter : now.line[0];
    var contest = block.free ? state.contest : block.contest;
    if (!player || !contest) { return; }
    var call = callOf(now, player);
    happened({ what: "tap", player: player, defender: defendersOf(now)[0] || "", made: made,
      blocked: 0, fouled: 0, contest: contest, call: call, time: Date.now() });
  }
  function mark(name) {
    var last = lastTap();
    if (!last) { return; }
    var on = last[name] ? 0 : 1;
    last.blocked = 0;
    last.fouled = 0;
    last[name] = on;
    save();
    show();
  }

  function minutesOf(now, index, player) {
    var whole = state.minutes[index] === undefined ? plan.blocks[index].minutes : state.minutes[index];
    var late = now.late[index + " " + player] || 0;
    return Math.max(0.5, whole - late);
  }
  function rows(now) {
    var seen = {}, makes = {}, lines = [];
    now.taps.forEach(function (tap) {
      var key = tap.block + " " + tap.player + " " + tap.call.set;
      makes[key] = (makes[key] || 0) + tap.made;
    });
    now.taps.forEach(function (tap) {
      var block = plan.blocks[tap.block], who = tap.block + " " + tap.player;
      seen[who] = (seen[who] || 0) + 1;
      var full = block.ladder && makes[who + " " + tap.call.set] === block.target;
      var sets = Object.keys(makes).filter(function (key) { return key.indexOf(who + " ") === 0; });
      var share = minutesOf(now, tap.block, tap.player) / (block.ladder ? sets.length : 1);
      lines.push({
        date: plan.date, session: plan.session, player: tap.player, drill: block.drill,
        mode: block.mode, contest: tap.contest, made: tap.made, minutes: Math.round(share * 100) / 100,
        set: tap.call.set, attempt: seen[who], spot: tap.call.spot, side: tap.call.side,
        hand: tap.call.hand, entry: tap.call.entry, footwork: tap.call.footwork, order: block.order,
        target: full ? block.target : "", defender: tap.defender, charter: state.charter,
        second_chart: state.second ? "yes" : "no", blocked: tap.blocked, fouled: tap.fouled,
        program: plan.program, season: plan.season
      });
    });
    return lines;
  }
  function cell(value) {
    var text = String(value);
    return /[",\n]/.test(text) ? "\"" + text.replace(/"/g, "\"\"") + "\"" : text;
  }
  function table() {
    return [COLUMNS.join(",")].concat(rows(replay()).map(function (line) {
      return COLUMNS.map(function (name) { return cell(line[name]); }).join(",");
    })).join("\n") + "\n";
  }
  function fileName() {
    return ["practice", plan.date, plan.session].concat(plan.place, state.second ? ["second"] : [])
      .join("_").replace(/[^\w-]+/g, "-") + ".csv";
  }

  function button(text, press) {
    var made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    made.addEventListener("click", press);
    return made;
  }
  function list(id, players, press, pressed) {
    var box = byId(id);
    box.textContent = "";
    players.forEach(function (player) {
      var item = document.createElement("li"), one = button(player, function () { press(player); });
      if (pressed !== undefined) { one.setAttribute("aria-pressed", String(player === pressed)); }
      item.appendChild(one);
      box.appendChild(item);
    });
  }
  function spoken(label) { return plan.words[label] || label; }
  function tally(taps) {
    var counted = taps.filter(function (tap) { return tap.made || !tap.fouled; });
    return counted.filter(function (tap) { return tap.made; }).length + " of " + counted.length;
  }
  function clock(now) {
    var from = now.started[now.block], seconds = from ? Math.floor((Date.now() - from) / 1000) : 0;
    return Math.floor(seconds / 60) + ":" + String(seconds % 60).padStart(2, "0");
  }

  function show() {
    var now = replay(), block = plan.blocks[now.block], last = lastTap();
    var taps = now.taps.filter(function (tap) { return tap.block === now.block; });
    var player = block.free ? state.shooter : now.line[0] || "";
    if (block.free && now.line.indexOf(player) < 0) { player = state.shooter = ""; }
    put("block", "Block " + (now.block + 1) + " of " + plan.blocks.length + ": " + block.title);
    put("what", block.text);
    put("clock", clock(now) + " of " + block.minutes + " min");
    put("count", taps.length + " charted" + (block.shots ? " of about " + block.shots : ""));
    put("shooter", player || "Who shot?");
    put("own", player ? tally(own(now, now.block, player)) : "");
    var faces = defendersOf(now), behind = now.line.slice(1).reverse().slice(faces.length);
    var work = faces.map(function (name, at) { return name + (at ? " at the rim" : " defends"); });
    if (!block.free && behind.length) {
      if (block.hand) { work.push(behind[0] + " hand up"); behind = behind.slice(1); }
      if (behind[0]) { work.push(behind[0] + " rebounds"); }
      if (behind[1]) { work.push(behind[1] + " passes"); }
    }
    put("work", work.join(", "));
    var call = player ? callOf(now, player) : {};
    put("call", [call.side, call.hand ? call.hand + " hand" : "", spoken(call.entry || ""),
      spoken(call.footwork || ""), spoken(call.spot || "")].filter(Boolean).join(", "));
    byId("contests").hidden = !block.free;
    put("line-title", block.free ? "Tap who shot" : "The line; tap a code to bring it to the front");
    list("line", now.line, function (name) {
      if (block.free) { state.shooter = name; save(); show(); } else if (name !== now.line[0]) {
        happened({ what: "front", player: name });
      }
    }, player);
    document.querySelectorAll("#contests input").forEach(function (input) {
      input.checked = input.value === state.contest;
    });
    var ready = Boolean(player) && (!block.free || Boolean(state.contest));
    byId("make").disabled = byId("miss").disabled = !ready;
    put("last", !last ? "" : "Last: " + last.player + (last.made ? ", make" : ", miss") +
      (last.blocked ? ", blocked" : "") + (last.fouled ? ", fouled" : ""));
    byId("blocked").disabled = !last || Boolean(last.made);
    byId("fouled").disabled = !last;
    byId("blocked").setAttribute("aria-pressed", String(Boolean(last && last.blocked)));
    byId("fouled").setAttribute("aria-pressed", String(Boolean(last && last.fouled)));
    byId("back").disabled = state.events.length === 0;
    byId("next").disabled = now.block + 1 >= plan.blocks.length;
    byId("leave").textContent = "";
    byId("leave").appendChild(new Option("", ""));
    now.line.forEach(function (name) { byId("leave").appendChild(new Option(name, name)); });
    byId("minutes").value = state.minutes[now.block] === undefined ? block.minutes
      : state.minutes[now.block];
    byId("charter").value = state.charter;
    byId("second").checked = state.second;
    if (byId("all").open) { byId("rows").value = table(); }
    put("total", now.taps.length + " shots charted at this basket, " + tally(now.taps) + " made.");
    byId("share").hidden = !navigator.share;
  }

  function arrive() {
    var now = replay(), name = byId("late").value.trim();
    if (!name || name.indexOf("/") >= 0 || now.line.indexOf(name) >= 0) { return; }
    var from = now.started[now.block];
    byId("late").value = "";
    happened({ what: "late", player: name,
      elapsed: from ? Math.round((Date.now() - from) / 6000) / 10 : 0 });
  }
  function download() {
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([table()], { type: "text/csv" }));
    link.download = fileName();
    link.click();
    window.setTimeout(function () { URL.revokeObjectURL(link.href); }, 1000);
  }
  function shareFile() {
    var file = new File([table()], fileName(), { type: "text/csv" });
    var parts = navigator.canShare && navigator.canShare({ files: [file] }) ? { files: [file] }
      : { text: table() };
    navigator.share(parts).catch(function () { put("told", "Nothing was shared."); });
  }
  function copy() {
    byId("all").open = true;
    byId("rows").value = table();
    byId("rows").focus();
    byId("rows").select();
    var done = function (well) { put("told", well ? "Copied." : "Marked: copy it by hand."); };
    if (!navigator.clipboard) { done(document.execCommand("copy")); return; }
    navigator.clipboard.writeText(table()).then(function () { done(true); },
      function () { done(document.execCommand("copy")); });
  }

  var presses = {
    make: function () { tap(1); }, miss: function () { tap(0); },
    blocked: function () { mark("blocked"); }, fouled: function () { mark("fouled"); },
    back: function () { state.events.pop(); save(); show(); },
    next: function () { happened({ what: "next" }); }, arrive: arrive,
    depart: function () {
      var name = byId("leave").value;
      if (name) { happened({ what: "out", player: name }); }
    },
    download: download, share: shareFile, copy: copy
  };
  Object.keys(presses).forEach(function (id) { byId(id).addEventListener("click", presses[id]); });
  byId("minutes").addEventListener("change", function () {
    var value = Number(byId("minutes").value);
    if (value > 0 && value <= 600) { state.minutes[replay().block] = value; save(); }
    show();
  });
  byId("charter").addEventListener("change", function () {
    state.charter = byId("charter").value.trim(); save(); show();
  });
  byId("second").addEventListener("change", function () {
    state.second = byId("second").checked; save(); show();
  });
  document.querySelectorAll("#contests input").forEach(function (input) {
    input.addEventListener("change", function () { state.contest = input.value; save(); show(); });
  });
  byId("all").addEventListener("toggle", show);
  load();
  byId("needs-script").hidden = true;
  byId("page").hidden = false;
  save();
  show();
  window.setInterval(function () {
    var now = replay();
    put("clock", clock(now) + " of " + plan.blocks[now.block].minutes + " min");
  }, 1000);
}());
