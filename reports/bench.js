// The cause model at the vehicle: ranks the suspects and orders the checks from the numbers in the page. No request is made.
// The formulas stand at the head of pipeline/suspects/answer.py and checks.py; a test holds this file to their answers.
(function () {
  "use strict";
  var page = JSON.parse(document.getElementById("bench-data").textContent);
  var data = page.data, T = page.words, F = page.format;

  // ---------------------------------------------------------------- the model
  var BOTH_DARK = page.both_dark, OTHER = page.other, MOST_CHECKS = page.most_checks;
  // Which component can be in which headlamp; one that is not listed can be in any. As in pipeline/suspects/parts.py.
  var ONLY_IN = { igniter: ["discharge"], ballast: ["discharge"], led_module: ["led"], led_driver: ["led"], lamp: ["halogen", "discharge"] };
  var OWN_IGNITER = /^D[1358]/i;

  function own(map, key) { return Object.prototype.hasOwnProperty.call(map, key); }
  function get(map, key) { return map && own(map, key) && map[key] != null ? map[key] : null; }
  function sum(list) { return list.reduce(function (a, b) { return a + b; }, 0); }
  function zeros(n) { var out = []; while (out.length < n) out.push(0); return out; }
  function inText(a, b) {  // by code points, as Python sorts
    var x = Array.from(a), y = Array.from(b);
    for (var i = 0; i < Math.min(x.length, y.length); i++) {
      if (x[i] !== y[i]) return x[i].codePointAt(0) - y[i].codePointAt(0);
    }
    return x.length - y.length;
  }

  function isPossible(component, lighting, category) {
    if (lighting != null && lighting !== "unknown" && own(ONLY_IN, component) && ONLY_IN[component].indexOf(lighting) < 0) return false;
    return !(component === "igniter" && category && OWN_IGNITER.test(category));
  }

  function check(q) {
    ["km", "age_days", "km_per_day"].forEach(function (name) {
      if (q[name] != null && !(q[name] >= 0 && isFinite(q[name]))) throw new RangeError(name + " is " + q[name] + "; it must be 0 or more");
    });
    ["replaced", "replaced_km"].forEach(function (name) {
      Object.keys(q[name]).forEach(function (c) {
        if (!(q[name][c] >= 0)) throw new RangeError(c + " was renewed " + q[name][c] + " ago; that must be 0 or more");
      });
    });
    ["check_sensitivity", "swap_error"].forEach(function (name) {
      if (!(q[name] >= 0 && q[name] <= 1)) throw new RangeError(name + " is " + q[name] + "; it must lie between 0 and 1");
    });
    var both = q.moved.filter(function (c) { return q.stayed.indexOf(c) >= 0; });
    if (both.length) throw new RangeError(both.join(", ") + ": the fault cannot both move with the part and stay");
  }

  function toldAge(q, j, pace) {
    var name = data.components[j], clock = data.clock[j], days = get(q.replaced, name), km = get(q.replaced_km, name);
    if (days != null || km != null) {
      if (clock === "days") return [1, days != null ? days : km / pace];
      return [1, km != null ? km : days * pace];
    }
    var age = clock === "days" ? q.age_days : q.km;
    return q.original.indexOf(name) >= 0 && age != null ? [0, age] : null;
  }

  function bandOf(value, edges) {
    if (edges.length === 1) return 0;
    if (value == null) return null;
    var at = 0;
    edges.forEach(function (e, i) { if (e <= value) at = i; });
    return at;
  }

  function pickCells(q, lightings, recent) {
    var notes = [], cls = Math.max(0, data.classes.indexOf(q.vehicle_class));
    if (q.vehicle_class && data.classes.indexOf(q.vehicle_class) < 0) notes.push("class_unknown");
    var km = bandOf(q.km, data.km_edges), age = bandOf(q.age_days, data.age_edges_days);
    if (km === null) notes.push("km_unknown");
    if (age === null) notes.push("age_unknown");
    var rows = data.cells.filter(function (c) { return lightings.indexOf(data.lightings[c[0]]) >= 0; });
    function far(c) { return (km !== null ? Math.abs(c[2] - km) : 0) + (age !== null ? Math.abs(c[3] - age) : 0); }
    // As asked; without the class; without the recent renewal; then the nearest cell that vehicles have reached.
    var tries = recent < 0 ? [[cls, -1], [0, -1]] : [[0, recent], [cls, -1], [0, -1]], found = [];
    for (var t = 0; t < tries.length && !found.length; t++) {
      found = rows.filter(function (x) { return x[1] === tries[t][0] && x[4] === tries[t][1] && far(x) === 0; });
    }
    if (!found.length) {
      notes.push("cell_not_reached");
      var plain = rows.filter(function (x) { return x[1] === 0 && x[4] === -1; });
      var nearest = plain.length ? Math.min.apply(null, plain.map(far)) : 0;
      found = plain.filter(function (x) { return far(x) === nearest; });
    }
    var weight = found.map(function (x) { return Math.max(x[5], 1e-9) * data.lighting[data.lightings[x[0]]].share; });
    var total = sum(weight);
    return [found.map(function (x, i) { return [weight[i] / total, x]; }), notes];
  }

  function interval(j, mix, ups, downs, p, c, n, z) {
    var m = mix[j], q = p[j], cases = c + n, logit = Math.log(q / (1 - q));
    if (q <= 0 || q >= 1) return [q, q];
    return [[-1, downs, ups], [1, ups, downs]].map(function (arms) {
      var sign = arms[0], spread = arms[1][j];
      mix.forEach(function (x, k) { if (k !== j) spread += Math.pow(x / (1 - m), 2) * arms[2][k]; });
      var arm = z * c / cases * m * (1 - m) / (q * (1 - q)) * Math.sqrt(spread);
      var wilson = (q + z * z / (2 * cases) + sign * z * Math.sqrt(q * (1 - q) / cases + Math.pow(z / (2 * cases), 2))) / (1 + z * z / cases);
      wilson = Math.min(Math.max(wilson, 1e-300), 1 - 1e-15);
      var half = Math.sqrt(arm * arm + Math.pow(Math.log(wilson / (1 - wilson)) - logit, 2));
      return 1 / (1 + Math.exp(-Math.max(Math.min(logit + sign * half, 700), -700)));
    });
  }

  function evidenceOf(q, cells, known) {
    var size = data.components.length + 1, notes = [], out = zeros(size).map(function () { return 1; });
    var code = q.fault_code ? q.fault_code.toUpperCase().replace(/\s+/g, "") : null;
    var k = code ? data.codes.indexOf(code) : -1;
    if (k >= 0) {
      var names = [];
      cells.forEach(function (c) { if (names.indexOf(data.lightings[c[0]]) < 0) names.push(data.lightings[c[0]]); });
      out = out.map(function (_, j) { return sum(names.map(function (li) { return data.lighting[li].code[j][k]; })) / names.length; });
    } else if (code) notes.push("code_unknown");
    q.cleared.forEach(function (c) { if (known.has(c)) out[known.get(c)] *= 1 - q.check_sensitivity; });
    [[q.moved, 1 - q.swap_error], [q.stayed, q.swap_error]].forEach(function (found) {
      found[0].forEach(function (c) {
        if (known.has(c)) out = out.map(function (e, j) { return e * (j === known.get(c) ? found[1] : 1 - found[1]); });
      });
    });
    return [out, notes];
  }

  function shift(limit, mine, rest) {
    var total = limit * mine + (1 - limit) * rest;
    return total > 0 ? limit * mine / total : limit;
  }

  function sharesOf(rate) {  // rates as shares that sum to 1, `other` (last) at least the floor
    var whole = sum(rate), last = rate.length - 1, mix = rate.map(function (r) { return r / whole; });
    if (mix[last] >= data.other_floor) return mix;
    var scale = (1 - data.other_floor) / (1 - mix[last]);
    return mix.map(function (m, j) { return j < last ? m * scale : data.other_floor; });
  }

  function casesOf(s, lightings) {  // confirmed cases with a symptom, over all ages
    return sum(data.cells.filter(function (c) { return c[1] === 0 && c[4] === -1 && lightings.indexOf(data.lightings[c[0]]) >= 0; })
      .map(function (c) { return sum(c[11].filter(function (row) { return row[0] === s; }).map(function (row) { return row[2]; })); }));
  }

  function complete(q) {
    var full = { symptom: null, side: null, km: null, age_days: null, lighting: null, vehicle_class: null, light_source_category: null,
      km_per_day: null, replaced: {}, replaced_km: {}, original: [], cleared: [], moved: [], stayed: [], fault_code: null,
      check_sensitivity: page.check_sensitivity, swap_error: page.swap_error };
    Object.keys(q || {}).forEach(function (key) {
      if (!own(full, key)) throw new RangeError("a query has no " + key);
      if (q[key] != null) full[key] = q[key];
    });
    return full;
  }

  function rank(query) {
    var q = complete(query);
    check(q);
    var notes = [], names = data.components, known = new Map();
    names.forEach(function (c, j) { known.set(c, j); });
    Object.keys(q.replaced).concat(Object.keys(q.replaced_km), q.original, q.cleared, q.moved, q.stayed).forEach(function (c) {
      if (!known.has(c)) notes.push("part_unknown");
      else if (!isPossible(c, q.lighting, q.light_source_category)) notes.push("not_in_vehicle");
    });
    var symptom = q.side === "both" && (q.symptom === "low_beam_dark" || q.symptom === BOTH_DARK) ? BOTH_DARK : q.symptom;
    var s = data.symptoms.indexOf(symptom);
    if (s < 0) notes.push("symptom_unknown");
    if (symptom === BOTH_DARK) notes.push("common_cause");
    var fresh = Object.keys(q.replaced).filter(function (c) { return q.replaced[c] <= data.recent_days && known.has(c); });
    fresh.sort(function (a, b) {
      return q.replaced[a] - q.replaced[b] || (a !== "headlamp_assembly") - (b !== "headlamp_assembly") || names.indexOf(a) - names.indexOf(b);
    });
    var latest = fresh.length ? fresh[0] : null, has = data.lightings.indexOf(q.lighting) >= 0;
    if (q.lighting != null && q.lighting !== "unknown" && !has) {
      throw new RangeError("the published data holds no vehicle with " + q.lighting + " headlamps");
    }
    var lightings = has ? [q.lighting] : data.lightings;
    if (lightings.length > 1) notes.push("lighting_unknown");
    if (s >= 0 && casesOf(s, lightings) < 5) notes.push("symptom_thin");
    var possible = data.lightings.map(function (li) {
      return names.map(function (c) { return isPossible(c, li, q.light_source_category); });
    });
    var got = pickCells(q, lightings, latest !== null ? known.get(latest) : -1), picked = got[0];
    notes = notes.concat(got[1]);
    if (!picked.length) throw new RangeError("the published data holds no cell for such a vehicle");

    // Rates, cell by cell, then averaged.
    var size = names.length, ages = names.map(function () { return ["average", null]; });
    var rate = zeros(size + 1), second = zeros(size + 1), plain = zeros(size + 1), ups = zeros(size + 1), downs = zeros(size + 1);
    var cases = zeros(size + 1), vehicles = 0;  // other last
    picked.forEach(function (pair) {
      var weight = pair[0], cell = pair[1], light = data.lighting[data.lightings[cell[0]]], pace = q.km_per_day || light.km_per_day;
      for (var j = 0; j <= size; j++) {
        if (j < size && !possible[cell[0]][j]) continue;
        var told = j < size ? toldAge(q, j, pace) : null, r, up, down;
        if (told === null) {
          r = cell[7][j];
          up = cell[8][j] * cell[8][j] + cell[10][j] * cell[10][j];
          down = cell[9][j] * cell[9][j] + cell[10][j] * cell[10][j];
        } else {
          var origin = told[0], age = told[1], clock = data.clocks[data.clock[j]];
          ages[j] = [origin ? "told" : "original", age];
          var band = Math.min(clock.bands - 1, Math.floor(Math.log1p(age / clock.scale) / clock.step));
          if (age > 1.25 * light.reach[j]) notes.push("beyond_ages");
          r = light.hazard[j][origin][band] * light.told[j] * (data.sided[j] ? 1 : 0.5);
          r *= light.class_factor[cell[1]][j] * (data.clock[j] === "km" ? pace : 1);
          up = Math.pow(light.log_up[j][origin][band], 2);
          down = Math.pow(light.log_down[j][origin][band], 2);
        }
        var alpha = light.alpha[j], total = sum(alpha), pS = s >= 0 ? alpha[s] / total : 1;
        rate[j] += weight * r * pS;
        plain[j] += weight * cell[7][j] * pS;
        second[j] += weight * Math.pow(r * pS, 2);
        ups[j] += weight * (up + (s >= 0 ? Math.pow(light.likelihood_up[j][s], 2) : 0));
        downs[j] += weight * (down + (s >= 0 ? Math.pow(light.likelihood_down[j][s], 2) : 0));
      }
      vehicles += cell[6];
      cell[11].forEach(function (row) {
        if (row[0] === s && (row[1] === size || possible[cell[0]][row[1]])) cases[row[1]] += row[2] * (picked.length === 1 ? 1 : weight);
      });
    });
    if (ages.some(function (a, j) { return a[0] === "average" && picked.some(function (x) { return possible[x[1][0]][j]; }); })) {
      notes.push("history_unknown");
    }
    rate.forEach(function (r, j) {
      var between = r > 0 ? Math.log(Math.max(second[j] / Math.max(r * r, 1e-300), 1)) : 0;
      ups[j] += between;
      downs[j] += between;
    });

    // Mix, cases, intervals.
    if (sum(rate.slice(0, size)) <= 0 || sum(plain.slice(0, size)) <= 0) throw new RangeError("no component that such a headlamp has is in the published data");
    var mix = sharesOf(rate), c = data.concentration, n = sum(cases);
    var p = sharesOf(plain).map(function (avg, j) {
      return avg > 0 ? mix[j] * (c * avg + cases[j]) / (c + n) / avg : mix[j];
    });
    var total = sum(p);
    p = p.map(function (x) { return x / total; });
    var limits = p.map(function (_, j) { return interval(j, mix, ups, downs, p, c, n, data.z); });

    // Evidence.
    var found = evidenceOf(q, picked.map(function (x) { return x[1]; }), known), evidence = found[0];
    notes = notes.concat(found[1]);
    if (own(data, "beats_baselines") && !data.beats_baselines) notes.push(data.beats_baselines === null ? "not_tested" : "not_better");
    var after = p.map(function (a, j) { return a * evidence[j]; }), left = sum(after);
    if ((q.cleared.length || q.moved.length || q.stayed.length) && (left < 0.02 || after[size] > 0.5 * left)) notes.push("evidence_conflict");
    if (!(left > 0)) throw new RangeError("what was found leaves no suspect at all: doubt one of the findings, or check again");
    var suspects = [];
    names.concat([OTHER]).forEach(function (name, j) {
      if (p[j] <= 0) return;
      var rest = (left - after[j]) / Math.max(1 - p[j], 1e-12), age = j < size ? ages[j] : ["", null];
      suspects.push({ component: name, probability: after[j] / left, low: shift(limits[j][0], evidence[j], rest),
        high: shift(limits[j][1], evidence[j], rest), before_evidence: p[j], age_from: age[0], age: age[1],
        clock: age[1] !== null ? data.clock[j] : null });
    });
    suspects.sort(function (a, b) { return b.probability - a.probability || inText(a.component, b.component); });
    var reached = notes.indexOf("cell_not_reached") < 0;
    return { suspects: suspects, effective_cases: Number(n.toFixed(3)), basis: n < 5 || !reached ? "borrowed" : n >= c ? "own" : "pooled",
      vehicles: vehicles, recently_replaced: latest || "none",
      notes: notes.filter(function (x, i) { return notes.indexOf(x) === i; }) };
  }

  function checksFrom(access, names) {
    if (!access.length) throw new RangeError("the access table is empty: no minutes are known for any check");
    var given = new Map(), steps = new Map();
    access.forEach(function (row) {
      if (given.has(row.component)) throw new RangeError("the access table has more than one row for " + row.component);
      if (!(row.check_minutes > 0)) throw new RangeError("check_minutes must be above 0 on every row of the access table");
      if (row.opens_minutes < 0) throw new RangeError("opens_minutes must not be below 0 in the access table");
      given.set(row.component, row);
      if (row.opens != null) steps.set(row.opens, Math.max(steps.get(row.opens) || 0, row.opens_minutes || 0));
    });
    var sorted = access.map(function (r) { return r.check_minutes; }).sort(function (a, b) { return a - b; }), h = sorted.length >> 1;
    var median = sorted.length % 2 ? sorted[h] : (sorted[h - 1] + sorted[h]) / 2;
    return names.map(function (c) {
      var row = given.get(c);
      if (!row) return { minutes: median, opens: null, opens_minutes: 0, assumed: true };
      return { minutes: row.check_minutes, opens: row.opens || null, opens_minutes: (row.opens != null && steps.get(row.opens)) || 0, assumed: false };
    });
  }

  // Exact: V(done) = min over i of minutes(i | done) x P(cause not in done) + V(done + i), over all sets of checks done.
  function bestOrder(p, checks) {
    var n = p.length, full = (1 << n) - 1, order = [];
    if (n > MOST_CHECKS) throw new RangeError(n + " checks; exact orders are made for " + MOST_CHECKS + " at most");
    var same = checks.map(function (a) {
      return checks.reduce(function (m, b, k) { return a.opens && a.opens === b.opens ? m | 1 << k : m; }, 0);
    });
    var value = new Float64Array(full + 1), choice = new Int8Array(full + 1);
    for (var done = full - 1; done >= 0; done--) {
      var inside = 0, best = Infinity, pick = 0, i;
      for (i = 0; i < n; i++) if (done >> i & 1) inside += p[i];
      var left = Math.max(1 - inside, 0);
      for (i = 0; i < n; i++) {
        if (done >> i & 1) continue;
        var tried = (checks[i].minutes + (done & same[i] ? 0 : checks[i].opens_minutes)) * left + value[done | 1 << i];
        if (tried < best - 1e-12) { best = tried; pick = i; }
      }
      value[done] = best;
      choice[done] = pick;
    }
    for (var at = 0; order.length < n; at |= 1 << choice[at]) order.push(choice[at]);
    return order;
  }

  function walk(order, p, checks) {
    var left = 1, total = 0, opened = new Set();
    var minutes = order.map(function (i) {
      var one = checks[i], cost = one.minutes + (one.opens && !opened.has(one.opens) ? one.opens_minutes : 0);
      opened.add(one.opens);
      total += cost * Math.max(left, 0);
      left -= p[i];
      return cost;
    });
    return { minutes: minutes, expected: total };
  }

  function checkOrder(ranking, cleared) {
    var left = ranking.suspects.filter(function (s) { return s.component !== OTHER && cleared.indexOf(s.component) < 0; });
    var p = left.map(function (s) { return s.probability; });
    var checks = checksFrom(data.access, left.map(function (s) { return s.component; }));
    var order = bestOrder(p, checks), best = walk(order, p, checks), opened = new Set();
    function by(key) { return p.map(function (_, i) { return i; }).sort(function (a, b) { return key(a) - key(b) || a - b; }); }
    return {
      steps: order.map(function (i, place) {
        var opens = checks[i].opens && !opened.has(checks[i].opens) ? checks[i].opens : null;
        opened.add(checks[i].opens);
        return { component: left[i].component, probability: p[i], minutes: best.minutes[place], needs: checks[i].opens, opens: opens, is_assumed: checks[i].assumed };
      }),
      expected_minutes: best.expected,
      expected_minutes_naive: walk(by(function (i) { return -p[i]; }), p, checks).expected,
      expected_minutes_cheapest: walk(by(function (i) { return checks[i].minutes + checks[i].opens_minutes; }), p, checks).expected
    };
  }

  function answer(query) {
    var ranking = rank(query);
    return { ranking: ranking, order: checkOrder(ranking, (query && query.cleared) || []) };
  }
  window.lowbeamBench = { answer: answer };

  // ---------------------------------------------------------------- words and numbers
  function say(text, values) {
    return text.replace(/\{(\w+)\}/g, function (all, name) { return own(values || {}, name) ? String(values[name]) : all; });
  }
  function number(x, digits) {
    var parts = x.toFixed(digits || 0).split(".");
    parts[0] = parts[0].replace(/\B(?=(\d{3})+$)/g, F.group);
    return parts.join(F.decimal);
  }
  function percent(p) {
    var x = 100 * p;
    if (x > 0 && x < 0.1) return say(F.percent_below, { n: number(0.1, 1) });
    if (x >= 99.5 && x < 100) return say(F.percent_above, { n: number(99) });
    return say(F.percent, { n: number(x, x >= 9.95 || Math.abs(x - Math.round(x)) < 0.05 ? 0 : 1) });
  }
  function range(low, high) {
    var digits = 100 * high >= 9.95 ? 0 : 1;
    return say(F.percent_range, { low: number(100 * low, digits), high: number(100 * high, digits) });
  }
  function minutes(x) { return say(T.minutes, { n: number(x) }); }
  function nameOf(component) {
    var j = data.components.indexOf(component);
    return j >= 0 ? page.component_names[j] : page.other_name;
  }
  function stepName(opens) { return opens.replace(/_/g, " "); }

  // ---------------------------------------------------------------- the form
  var form = document.getElementById("asked");
  function el(id) { return document.getElementById(id); }
  function make(tag, cls, text) {
    var node = document.createElement(tag);
    if (cls) node.className = cls;
    if (text != null) node.textContent = text;
    return node;
  }
  function chosen(name) {
    var got = form.querySelector("input[name='" + name + "']:checked");
    return got ? got.value : "";
  }
  function parse(text, grouped) {  // 148 000, 148,000 and 148.000 are one distance; elsewhere both marks are decimal
    text = text.trim().replace(/[\s\u00a0\u202f'\u2019]/g, "");
    if (!text) return null;
    if (grouped && /^\d{1,3}([.,]\d{3})+$/.test(text)) return Number(text.replace(/[.,]/g, ""));
    return /^\d+([.,]\d+)?$/.test(text) ? Number(text.replace(",", ".")) : NaN;
  }
  function read(input, grouped, most) {  // marks a field that cannot be read; null: blank or wrong
    var x = parse(input.value, grouped), wrong = x !== null && !(x >= 0 && x <= most), note = el(input.id + "-wrong");
    input.setAttribute("aria-invalid", wrong ? "true" : "false");
    if (note.hidden === wrong) note.hidden = !wrong;
    if (wrong) bad.push(input);
    return wrong ? null : x;
  }
  var bad = [], DAYS = { d: 1, w: 7, m: 30.4375, y: 365.25 };

  function fromForm() {
    bad = [];
    var q = { replaced: {}, replaced_km: {}, original: [], cleared: [], moved: [], stayed: [] };
    var symptom = chosen("symptom"), side = chosen("side"), lighting = chosen("lighting");
    if (symptom !== "") q.symptom = data.symptoms[Number(symptom)];
    if (side) q.side = side;
    if (lighting !== "") q.lighting = data.lightings[Number(lighting)];
    var km = read(el("km"), true, 5e6), years = read(el("age"), false, 150);
    if (km !== null) q.km = km * page.km_per_unit;
    if (years !== null) q.age_days = years * 365.25;
    if (el("class") && el("class").value !== "") q.vehicle_class = data.classes[Number(el("class").value)];
    if (el("category") && el("category").value) q.light_source_category = el("category").value;
    if (el("code") && el("code").value.trim()) q.fault_code = el("code").value;
    data.components.forEach(function (c, j) {
      if (!el("renewed-row-" + j)) return;
      var there = isPossible(c, q.lighting, q.light_source_category);
      el("renewed-row-" + j).hidden = el("found-row-" + j).hidden = !there;
      if (!there) return;
      var state = el("renewed-" + j).value;
      el("ago-part-" + j).hidden = state !== "renewed";
      if (state === "original") q.original.push(c);
      if (state === "renewed") {
        var ago = read(el("ago-" + j), false, 1e5), driven = el("driven-" + j) ? read(el("driven-" + j), true, 5e6) : null;
        if (ago !== null) q.replaced[c] = ago * DAYS[el("ago-unit-" + j).value];
        if (driven !== null) q.replaced_km[c] = driven * page.km_per_unit;
      }
      if (el("cleared-" + j).checked) q.cleared.push(c);
      var swap = chosen("swap-" + j);
      if (swap === "moved" || swap === "stayed") q[swap].push(c);
    });
    return q;
  }

  function put(node, parts) { node.textContent = ""; parts.forEach(function (x) { node.appendChild(x); }); }
  function again() {  // what was asked, for paper and for a second look
    var said = [], out = [];
    function add(text) { if (text) said.push(text); }
    ["symptom", "side", "lighting"].forEach(function (name) {
      var got = form.querySelector("input[name='" + name + "']:checked");
      if (got && got.value !== "") add(got.parentNode.textContent.trim());
    });
    if (el("km").value.trim()) add(el("km").value.trim() + " " + page.unit);
    if (el("age").value.trim()) add(say(T.years, { n: el("age").value.trim() }));
    ["class", "category"].forEach(function (id) { if (el(id) && el(id).value !== "") add(el(id).selectedOptions[0].textContent); });
    if (el("code")) add(el("code").value.trim());
    data.components.forEach(function (c, j) {
      if (!el("renewed-row-" + j) || el("renewed-row-" + j).hidden) return;
      var state = el("renewed-" + j), name = page.component_names[j];
      if (state.value === "original") add(say(T.asked_original, { part: name }));
      if (state.value === "renewed" && el("ago-" + j).value.trim()) {
        add(say(T.asked_renewed, { part: name, n: el("ago-" + j).value.trim(), unit: el("ago-unit-" + j).selectedOptions[0].textContent }));
      }
      if (el("cleared-" + j).checked) add(say(T.asked_cleared, { part: name }));
      if (chosen("swap-" + j)) add(say(T["asked_" + chosen("swap-" + j)], { part: name }));
    });
    return said.length ? say(T.asked, { what: said.join("; ") }) : T.asked_nothing;
  }

  function bar(s) {
    var track = make("div", "track"), fill = make("div", "fill"), whisker = make("div", "whisker");
    track.setAttribute("aria-hidden", "true");
    fill.style.width = 100 * s.probability + "%";
    whisker.style.left = 100 * s.low + "%";
    whisker.style.width = 100 * Math.max(s.high - s.low, 0) + "%";
    track.appendChild(fill);
    track.appendChild(whisker);
    return track;
  }
  function suspect(s, q) {
    var row = make("li", "suspect"), head = make("div", "suspect-head");
    head.appendChild(make("span", "name", nameOf(s.component)));
    head.appendChild(make("span", "unseen", ": "));
    head.appendChild(make("span", "chance", percent(s.probability)));
    row.appendChild(head);
    row.appendChild(bar(s));
    var said = [say(T.interval, { range: range(s.low, s.high) })];
    if (T["age_" + s.age_from] && s.component !== OTHER) said.push(T["age_" + s.age_from]);
    if (q.cleared.indexOf(s.component) >= 0) { said.push(T.is_cleared); row.classList.add("is-cleared"); }
    if (q.moved.indexOf(s.component) >= 0) said.push(T.is_moved);
    if (q.stayed.indexOf(s.component) >= 0) said.push(T.is_stayed);
    row.appendChild(make("p", "under", said.join(" · ")));
    return row;
  }
  function stepRow(step) {
    var row = make("li", "step"), text = make("div", "step-text"), j = data.components.indexOf(step.component);
    var head = make("p", "step-head");
    head.appendChild(make("strong", "", nameOf(step.component)));
    head.appendChild(make("span", "mins", minutes(step.minutes)));
    text.appendChild(head);
    var under = [];
    if (step.opens) under.push(say(T.opens, { step: stepName(step.opens) }));
    else if (step.needs) under.push(say(T.is_open, { step: stepName(step.needs) }));
    under.push(say(T.worth, { chance: percent(step.probability), rate: percent(step.probability / step.minutes) }));
    if (step.is_assumed) under.push(T.assumed);
    text.appendChild(make("p", "under", under.join(" · ")));
    var button = make("button", "good", T.good);
    button.type = "button";
    button.setAttribute("aria-label", say(T.good_label, { part: nameOf(step.component) }));
    button.addEventListener("click", function () {
      el("cleared-" + j).checked = true;
      show();
      (document.querySelector("#steps button") || el("order-head")).focus();
    });
    row.appendChild(text);
    row.appendChild(button);
    return row;
  }
  function takenBack(component) {
    var j = data.components.indexOf(component), row = make("li"), button = make("button", "back", say(T.take_back, { part: nameOf(component) }));
    button.type = "button";
    button.addEventListener("click", function () {
      el("cleared-" + j).checked = false;
      show();
      (document.querySelector("#steps button") || el("order-head")).focus();
    });
    row.appendChild(button);
    return row;
  }
  function refuse(text) {
    el("summary").textContent = text;
    el("result-body").hidden = true;
    el("short").textContent = text;
  }

  function show() {
    var q = fromForm(), ranking, order;
    el("asked-again").textContent = again();
    if (bad.length) { refuse(T.mend); return; }
    try { ranking = rank(q); } catch (error) {
      if (!(error instanceof RangeError)) throw error;
      refuse(say(T.refused, { why: error.message }));
      return;
    }
    el("result-body").hidden = false;
    var first = ranking.suspects[0];
    put(el("ranking"), ranking.suspects.map(function (s) { return suspect(s, q); }));
    var told = ranking.notes.indexOf("symptom_unknown") < 0;
    el("behind").textContent = say(told ? T.behind : T.behind_all, { n: number(ranking.effective_cases), vehicles: number(ranking.vehicles) });
    el("basis").hidden = !told;
    el("basis").textContent = page.basis[ranking.basis];
    el("basis").classList.toggle("thin", ranking.basis === "borrowed");
    put(el("notes"), ranking.notes.map(function (id) { return make("li", "", page.notes[id] || id); }));
    el("notes-part").hidden = !ranking.notes.length;
    el("voltage").hidden = q.lighting != null && q.lighting !== "discharge";
    var next = "";
    try { order = checkOrder(ranking, q.cleared); } catch (error) {
      if (!(error instanceof RangeError)) throw error;
      put(el("steps"), []);
      el("expected").textContent = say(T.no_order, { why: error.message });
    }
    if (order) {
      put(el("steps"), order.steps.map(stepRow));
      el("expected").textContent = order.steps.length ? say(T.expected, { n: minutes(order.expected_minutes),
        naive: minutes(order.expected_minutes_naive), cheapest: minutes(order.expected_minutes_cheapest) }) : T.none_left;
      if (order.steps.length) next = say(T.check_next, { part: nameOf(order.steps[0].component) });
    }
    put(el("back"), q.cleared.map(takenBack));
    el("summary").textContent = say(T.summary, { part: nameOf(first.component), chance: percent(first.probability),
      range: range(first.low, first.high) }) + (next ? " " + next : "");
    el("short").textContent = say(T.short, { part: nameOf(first.component), chance: percent(first.probability) }) + (next ? " " + next : "");
  }

  form.addEventListener("input", show);
  form.addEventListener("change", show);
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  form.addEventListener("reset", function () { setTimeout(show, 0); });
  // The strip at the foot says the answer while the answer itself is out of sight.
  // In one column that is the whole result; where it stands beside the form, its first sentence.
  var strip = el("strip"), wide = window.matchMedia("(min-width: 860px)"), watch = null;
  function watchAnswer() {
    if (watch) watch.disconnect();
    watch = new IntersectionObserver(function (seen) { strip.hidden = seen[seen.length - 1].isIntersecting; });
    watch.observe(el(wide.matches ? "summary" : "result"));
  }
  wide.addEventListener("change", watchAnswer);
  watchAnswer();
  show();
  document.documentElement.setAttribute("data-ready", "yes");
}());
