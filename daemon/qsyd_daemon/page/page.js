// The status page. It shows what /v1/status and /v1/decisions say, whenever the stream of events says that something has
// happened, and once a second besides. Whatever comes from the station is set as text, never as markup.
"use strict";

const EVERY_MS = 1000;       // how often the meters are asked for
const AT_ONCE_MS = 50;       // how soon after an event, and how seldom at most
const ANSWER_MS = 4000;      // a station that takes longer counts as lost
const AGAIN_MS = [500, 1000, 2000, 5000];
const BARRED_MS = 30000;     // how seldom a token is shown that was refused: each time counts as a guess, for all at this address
const TOKEN = "qsyd-token";
const ROLES = ["visitor", "watch", "operate", "administer"];
const METERS = [
  // reading, what it is called, unit, digits, the name of its limit
  ["forward_w", "Forward", "W", 0, "output_w"],
  ["reflected_w", "Reflected", "W", 0, "reflected_w"],
  ["swr", "SWR", "", 2, "swr"],
  ["drive_w", "Drive", "W", 0, "drive_w"],
  ["gain", "Gain", "times", 1, "gain"],
  ["grid_ma", "Grid", "mA", 0, "grid_ma"],
  ["plate_ma", "Plate current", "mA", 0, "plate_ma"],
  ["plate_v", "Plate voltage", "V", 0, "plate_v"],
  ["dissipation_w", "Dissipation", "W", 0, "dissipation_w"],
  ["temperature_c", "Exhaust", "°C", 0, "temperature_c"],
];

const at = (id) => document.getElementById(id);
const known = {
  token: sessionStorage.getItem(TOKEN), role: "visitor", name: "", status: null, statusAt: 0, lostAt: null, lostClock: "",
  lastId: null, lease: null, stream: null, barredUntil: 0,
};

// ---- The station, asked

class Refused extends Error {
  constructor(status, words) { super(words); this.status = status; }
}

function headers(more) {
  return known.token ? { ...more, Authorization: `Bearer ${known.token}` } : { ...more };
}

async function ask(path, body) {
  const options = { headers: headers(), cache: "no-store", signal: AbortSignal.timeout(ANSWER_MS) };
  if (body !== undefined) {
    options.method = "POST";
    options.headers["Content-Type"] = "application/json";
    options.body = JSON.stringify(body);
  }
  const { token } = known;
  const response = await fetch(path, options);
  if (response.status === 401 && token === known.token && token) known.barredUntil = performance.now() + BARRED_MS;
  const answer = await response.json();
  if (!response.ok) throw new Refused(response.status, answer.detail || answer.title || `refused (${response.status})`);
  return answer;
}

const barred = () => performance.now() < known.barredUntil;

let refreshing = false;
let again = false;
async function refresh() {
  if (barred()) return;
  if (refreshing) { again = true; return; }
  refreshing = true;
  do {
    again = false;
    try {
      const [status, decisions] = await Promise.all([ask("/v1/status"), ask("/v1/decisions?limit=12")]);
      known.status = status;
      known.statusAt = performance.now();
      found();
      show(status);
      showDecisions(decisions.decisions);
    } catch (error) {
      if (error instanceof Refused) {
        lose(error.message, error.status === 401);
      } else {
        lose("the station does not answer");
      }
    }
    await pause(AT_ONCE_MS);
  } while (again && !barred());
  refreshing = false;
}

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

async function whoAmI() {
  const { token } = known;
  try {
    const caller = await ask("/v1/caller");
    if (token !== known.token) return;
    known.role = caller.role;
    known.name = caller.name;
  } catch (error) {
    if (token !== known.token) return;
    known.role = "visitor";
    if (error instanceof Refused && error.status === 401) lose(error.message, true);
    if (error instanceof Refused && known.token) {
      say(error.status === 401 ? "This token is not one of the station's, or has been taken back." : error.message);
    }
  }
  showCaller();
}

// ---- The stream of events: server-sent events (WHATWG HTML, section 9.2), read by hand because of the header

async function follow() {
  for (let tries = 0; ; tries += 1) {
    const stop = new AbortController();
    known.stream = stop;
    while (barred()) await pause(AGAIN_MS[0]);
    try {
      const more = known.lastId ? { "Last-Event-ID": known.lastId } : {};
      const response = await fetch("/v1/events", { headers: headers(more), cache: "no-store", signal: stop.signal });
      if (response.ok) {
        tries = 0;
        void refresh();
        await read(response.body.getReader());
      }
    } catch {
      // the connection is gone, or was never there: asking for the status tells which
    }
    void refresh();
    await pause(AGAIN_MS[Math.min(tries, AGAIN_MS.length - 1)]);
  }
}

async function read(reader) {
  const decoder = new TextDecoder();
  let rest = "";
  for (;;) {
    const { done, value } = await reader.read();
    if (done) return;
    const blocks = (rest + decoder.decode(value, { stream: true })).split("\n\n");
    rest = blocks.pop();
    blocks.forEach(hear);
  }
}

function hear(block) {
  const told = {};
  for (const line of block.split("\n")) {
    const colon = line.indexOf(":");
    if (colon > 0) told[line.slice(0, colon)] = line.slice(colon + 1).trimStart();
  }
  if (!told.event) return;
  if (told.id) known.lastId = told.id;
  if (told.event === "frequency") {
    const event = JSON.parse(told.data);
    const follows = known.status && followed(known.status);
    if (!follows || event.rig === follows) showDial(event);
  }
  void refresh();
}

// ---- What is shown

function put(id, text) {
  const element = at(id);
  if (element.textContent !== text) element.textContent = text;
}

function hide(id, hidden) {
  if (at(id).hidden !== hidden) at(id).hidden = hidden;
}

function items(id, texts, className) {
  const list = at(id);
  if (list.dataset.shown === JSON.stringify(texts)) return;
  list.dataset.shown = JSON.stringify(texts);
  list.replaceChildren(...texts.map((text) => {
    const item = document.createElement("li");
    item.textContent = text;
    if (className) item.className = className;
    return item;
  }));
}

const followed = (status) => (status.amplifier ? status.amplifier.follows : Object.keys(status.rigs)[0]);

function show(status) {
  put("station", status.station);
  document.title = `${status.transmit.released ? "released" : "inhibited"}: ${status.station}`;
  hide("simulated", !status.simulated);
  hide("dry-run", !status.dry_run);
  put("version", `qsyd ${status.version}`);
  showAir(status);
  showFault(status.amplifier && status.amplifier.fault);
  showDial(status.rigs[followed(status)]);
  showPlace(status);
  showAmplifier(status.amplifier);
  showMeters(status);
  showWarnings(status);
  showHoldChoice(status);
  tick();
}

function showAir(status) {
  const { transmit, amplifier } = status;
  at("air").dataset.is = transmit.released ? "released" : "inhibited";
  let verdict = "Transmit inhibited";
  if (transmit.released) verdict = amplifier && amplifier.state === "operate" ? "Transmit released, amplifier in operate" : "Transmit released, barefoot";
  put("verdict", verdict);
  items("reasons", transmit.released ? [] : transmit.reasons);
  const { hold, lockout } = status;
  hide("hold-now", !hold);
  if (hold) put("hold-now", `${hold.operator} holds ${hold.antenna} for ${spell(hold.left_s)} more${hold.reason ? `: ${hold.reason}` : ""}`);
  hide("lockout", !lockout);
  if (lockout) put("lockout", `Maintenance lockout by ${lockout.operator}: ${lockout.reason}. It ends only at the station.`);
}

function showFault(fault) {
  hide("fault", !fault);
  if (!fault) return;
  put("fault-detail", `${fault.code}: ${fault.detail}`);
  put("fault-advice", fault.advice);
  put("fault-reason-label", fault.locked ? "It came again and again. What was found" : "What was found (optional)");
  at("fault-reason").required = fault.locked;
  at("acknowledge").dataset.number = String(fault.number);
}

function showDial(rig) {
  const hertz = rig && rig.frequency_hz;
  if (!hertz) {
    put("frequency", rig && rig.link === "lost" ? "rig lost" : "–");
    put("mode", (rig && rig.because) || "");
    hide("key", true);
    hide("split", true);
    return;
  }
  const megahertz = Math.floor(hertz / 1e6);
  const rest = String(hertz % 1e6).padStart(6, "0");
  const shown = `${megahertz}.${rest.slice(0, 3)}`;
  const fine = ` ${rest.slice(3)}`;
  if (at("frequency").dataset.shown !== shown + fine) {
    at("frequency").dataset.shown = shown + fine;
    const small = document.createElement("small");
    small.textContent = fine;
    at("frequency").replaceChildren(shown, small);
  }
  put("mode", `MHz${rig.mode ? ` ${rig.mode}` : ""}`);
  if ("keyed" in rig) hide("key", rig.keyed !== true);
  hide("split", !rig.split);
  if (rig.split) put("split", rig.transmit_hz ? `split: transmits on ${format(rig.transmit_hz)}` : "split: the other VFO is not known yet");
}

const format = (hertz) => `${(hertz / 1e6).toFixed(4)} MHz`;

function showPlace(status) {
  const { placed, outputs } = status;
  const none = "none serves this frequency";
  put("segment", (placed && placed.segment) || "–");
  put("antenna", placed && placed.antenna ? `${placed.antenna} on port ${placed.port}, ${outputs.antenna.value === placed.antenna ? outputs.antenna.known : "not there yet"}` : placed ? none : "–");
  const renew = (status.presets_to_renew || []).find((each) => placed && each.antenna === placed.antenna && each.segment === placed.segment);
  const served = placed && placed.antenna;
  const stored = served && placed.preset;
  const standing = !stored ? "none stored" : stored.estimate ? "an estimate" : "saved";
  const preset = served ? standing + (renew ? ", has drifted: tune up anew" : "") : "–";
  put("preset", status.amplifier ? preset : "no amplifier");
  at("preset").className = served && status.amplifier && preset !== "saved" ? "worry" : "";
  const tank = outputs.tank;
  put("tank", tank.value ? `tune ${tank.value.tune}, load ${tank.value.load}, ${tank.known}${tank.value.estimate ? ", an estimate" : ""}` : tank.known === "unknown" ? "unknown" : "–");
  put("drive", placed && placed.drive_w !== null && placed.drive_w !== undefined ? `at most ${placed.drive_w} W` : "–");
  const rules = placed && placed.rules && placed.rules.length ? `rule ${placed.rules.join(", ")}` : "";
  put("because", (placed && (placed.because || rules)) || "–");
}

function showAmplifier(amplifier) {
  hide("amplifier", !amplifier);
  hide("acts", !amplifier);
  if (!amplifier) return;
  put("state", amplifier.state);
  put("hindrance", hindrance(amplifier));
  at("standby").setAttribute("aria-pressed", String(amplifier.state === "standby"));
  at("operate").setAttribute("aria-pressed", String(amplifier.state === "operate"));
  const waits = amplifier.ready_in_s !== null && amplifier.ready_in_s > 0;
  at("operate").dataset.request = waits ? "operate-when-ready" : "operate";
  put("operate", waits ? "Operate when ready" : "Operate");
}

function hindrance(amplifier) {
  if (amplifier.state === "operate") return "";
  if (amplifier.armed) return "Operate follows the warm-up.";
  if (amplifier.wish !== "operate") return "Nobody has asked for operate.";
  return amplifier.because ? `Operate is asked for, and waits: ${amplifier.because}.` : "Operate is asked for.";
}

function showMeters(status) {
  const told = status.meters;
  hide("no-meters", told !== null);
  const body = at("meter-rows");
  if (told === null) { body.replaceChildren(); body.dataset.shown = ""; return; }
  const limits = status.amplifier ? { ...status.amplifier.limits, output_w: status.amplifier.output_w } : {};
  const rows = METERS.map(([name, label, unit, digits, limit]) => meter(label, told[name], limits[limit], unit, digits, name));
  const shown = JSON.stringify(rows.map((row) => [row.textContent, row.className]));
  if (body.dataset.shown === shown) return;
  body.dataset.shown = shown;
  body.replaceChildren(...rows);
}

function meter(label, value, limit, unit, digits, name) {
  const row = document.createElement("tr");
  const [head, reading, bound] = ["th", "td", "td"].map((tag) => row.appendChild(document.createElement(tag)));
  head.scope = "row";
  head.textContent = label;
  reading.className = "reading";
  bound.className = "limit";
  const unknown = value === null || value === undefined;
  reading.textContent = unknown ? "unknown" : `${value.toFixed(digits)} ${unit}`.trim();
  if (unknown) reading.classList.add("unknown");
  if (limit === null || limit === undefined) return row;
  const part = unknown ? null : value / limit;
  const target = name === "forward_w";
  const past = !target && part !== null && part > 1;
  bound.textContent = `${target ? "of" : past ? "PAST its limit," : "limit"} ${limit} ${unit}`.trim();
  row.className = past ? "past" : !target && part !== null && part > 0.85 ? "near" : "";
  bound.append(bar(part));
  return row;
}

function bar(part) {
  const make = (tag, attributes) => {
    const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
    Object.entries(attributes).forEach(([name, value]) => element.setAttribute(name, String(value)));
    return element;
  };
  const svg = make("svg", { viewBox: "0 0 100 6", preserveAspectRatio: "none", "aria-hidden": "true" });
  const frame = { x: 0.5, y: 0.5, width: 99, height: 5, fill: "none", stroke: "currentColor" };
  svg.append(make("rect", part === null ? { ...frame, "stroke-dasharray": "2 2" } : frame));
  if (part !== null) svg.append(make("rect", { class: "reached", x: 0, y: 1, width: Math.min(100, 80 * part), height: 4 }));
  svg.append(make("rect", { x: 80, y: 0, width: 0.8, height: 6, fill: "currentColor" }));
  return svg;
}

function showWarnings(status) {
  const warnings = [...status.warnings];
  if (status.guard !== "guarded") warnings.push(`${status.guard}: ${status.guard === "unguarded" ? "nothing here can forbid transmitting" : "if qsyd dies, transmit stays as it was"}`);
  if (!status.state_directory.healthy) warnings.push("the state directory cannot be written");
  const reload = status.station_file && status.station_file.last_reload;
  if (reload && !reload.ok) warnings.push(`the station file was not taken: ${reload.text}`);
  for (const each of status.presets_to_renew || []) warnings.push(`preset of ${each.antenna} on ${each.segment} has drifted`);
  items("warning-list", warnings.length ? warnings.map((text) => `⚠ ${text}`) : ["No warnings"], warnings.length ? "worry" : "");
  const rigs = Object.entries(status.rigs).map(([name, rig]) => rig.link === "up" ? `rig ${name}: answers` : `rig ${name}: LOST${rig.because ? `, ${rig.because}` : ""}`);
  const devices = Object.entries(status.devices).map(([name, device]) => device.answers && !device.trouble ? `${name}: answers` : `${name}: DOES NOT ANSWER${device.trouble ? `, ${device.trouble}` : ""}`);
  items("link-list", [...rigs, ...devices]);
}

function showDecisions(decisions) {
  const list = at("decision-list");
  const shown = JSON.stringify(decisions);
  if (list.dataset.shown === shown) return;
  list.dataset.shown = shown;
  list.replaceChildren(...decisions.map((decision) => {
    const item = document.createElement("li");
    const time = document.createElement("time");
    time.dateTime = decision.time;
    time.textContent = decision.time.slice(11, 19);
    item.append(time, decision.words);
    return item;
  }));
}

function showHoldChoice(status) {
  const choice = at("hold-antenna");
  if (choice.dataset.shown !== JSON.stringify(status.antennas)) {
    choice.dataset.shown = JSON.stringify(status.antennas);
    choice.replaceChildren(...status.antennas.map((name) => {
      const option = document.createElement("option");
      option.value = option.textContent = name;
      return option;
    }));
  }
  hide("hold-end", !status.hold);
}

function showCaller() {
  put("caller", known.role === "visitor" ? "no token: may look" : `${known.name}: may ${known.role}`);
  hide("token-forget", !known.token);
  enable();
}

function mayOperate() {
  return ROLES.indexOf(known.role) >= ROLES.indexOf("operate");
}

function enable() {
  const off = known.lostAt !== null || !mayOperate();
  for (const button of document.querySelectorAll("[data-request], #acknowledge button, #hold-form button")) {
    button.setAttribute("aria-disabled", String(off));
  }
}

const spell = (seconds) => {
  const whole = Math.ceil(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
};

// Times run on here from what the station last said; the clock of this machine has no say in it.
function tick() {
  const status = known.status;
  if (known.lostAt !== null) {
    const gone = Math.round((performance.now() - known.lostAt) / 1000);
    if (known.wantsToken) {
      put("lost-told", `The station shows itself only to those with a token of its own: ${known.lostWords}. See Token, below.`);
      put("lost-for", "");
      put("lost-why", "");
      return;
    }
    put("lost-told", `Connection lost at ${known.lostClock}`);
    put("lost-for", `, ${gone} s ago`);
    put("lost-why", `: ${known.lostWords}. ${status ? "What is shown is old." : ""}`);
    return;
  }
  if (!status || !status.amplifier) return;
  const passed = (performance.now() - known.statusAt) / 1000;
  const { ready_in_s: ready, next_in_s: next, state, warm_up_s: warmUp, cool_down_s: coolDown } = status.amplifier;
  const cooling = state === "cool-down";
  const left = cooling ? next : ready;
  const waits = left !== null && left - passed > 0;
  put("countdown", waits ? `${cooling ? "heater off in" : "ready in"} ${spell(left - passed)}` : "");
  hide("wait", !waits);
  if (waits) at("wait").value = Math.max(0, 1 - (left - passed) / (cooling ? coolDown : warmUp));
}

// ---- Lost, and found again

function lose(words, wantsToken = false) {
  known.lostWords = words;
  known.wantsToken = wantsToken;
  if (known.lostAt === null) {
    known.lostAt = performance.now();
    known.lostClock = new Date().toLocaleTimeString([], { hour12: false });
    document.body.classList.add("old");
    hide("lost", false);
    enable();
  }
  document.title = `${wantsToken ? "token wanted" : "connection lost"}: ${known.status ? known.status.station : "qsyd"}`;
  tick();
}

function found() {
  if (known.lostAt === null) return;
  known.lostAt = null;
  document.body.classList.remove("old");
  hide("lost", true);
  void whoAmI();
}

// ---- The acts

function say(words) {
  put("said", words);
}

async function act(path, body) {
  if (known.lostAt !== null) {
    say(known.wantsToken ? "Not sent: it takes a token. See Token, below." : "Not sent: the connection is lost.");
    return null;
  }
  if (!mayOperate()) { say(known.token ? "Not sent: this token may only look." : "Not sent: it takes a token to operate. See Token, below."); return null; }
  say("Asked…");
  try {
    const answer = await ask(path, body);
    say(answer.text || "Done.");
    void refresh();
    return answer;
  } catch (error) {
    say(error instanceof Refused ? `Refused: ${error.message}` : "No answer: whether it was done is not known. Look at the state.");
    void refresh();
    return null;
  }
}

for (const button of document.querySelectorAll("[data-request]")) {
  button.addEventListener("click", () => act("/v1/amplifier", { request: button.dataset.request }));
}

at("acknowledge").addEventListener("submit", async (event) => {
  event.preventDefault();
  const reason = at("fault-reason").value.trim() || null;
  if (await act("/v1/acknowledge", { number: Number(at("acknowledge").dataset.number), reason })) at("fault-reason").value = "";
});

at("hold-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const reason = at("hold-reason").value.trim() || null;
  void act("/v1/hold", { antenna: at("hold-antenna").value, for: `${at("hold-minutes").value} min`, reason });
});

at("hold-end").addEventListener("click", () => act("/v1/hold", { antenna: null }));

at("token-form").addEventListener("submit", (event) => {
  event.preventDefault();
  useToken(at("token-text").value.trim());
  at("token-text").value = "";
});

at("token-forget").addEventListener("click", () => useToken(""));

async function useToken(token) {
  await endLease();
  known.token = token || null;
  known.barredUntil = 0;
  if (token) sessionStorage.setItem(TOKEN, token); else sessionStorage.removeItem(TOKEN);
  await whoAmI();
  if (known.token && known.role !== "visitor") say(`Token of ${known.name}: may ${known.role}.`);
  if (known.stream) known.stream.abort();
  void refresh();
}

// ---- The lease: renewed three times as often as it has to be

at("lease").addEventListener("change", async () => {
  if (!at("lease").checked) { await endLease(); return; }
  at("lease").disabled = true;  // one at a time: what is unchecked before the answer would be held all the same
  const answer = await act("/v1/lease", {});
  at("lease").disabled = false;
  if (answer) keepLease(answer); else at("lease").checked = false;
});

function keepLease(answer) {
  known.lease = { name: answer.lease, pace: paced((answer.renew_within_s * 1000) / 3) };
  put("lease-now", `Kept, behind other tabs too. Lost for ${answer.renew_within_s} s, the amplifier goes to standby; so it does when a phone or a computer puts this page to sleep.`);
}

// Also while nobody sees the page: see pace.js. By the page's own timer too, should the worker never begin.
function paced(everyMs) {
  const worker = new Worker("pace.js");
  worker.addEventListener("message", renewLease);
  worker.postMessage(everyMs);
  const timer = setInterval(renewLease, everyMs);
  return { end() { worker.terminate(); clearInterval(timer); } };
}

async function renewLease() {
  const { lease } = known;
  if (!lease) return;
  try {
    await ask("/v1/lease", { lease: lease.name });
  } catch (error) {
    // told to wait is not told that it is gone
    if (lease === known.lease && error instanceof Refused && error.status !== 429 && error.status !== 503) dropLease(`The lease is gone: ${error.message}`);
  }
}

function dropLease(words) {
  if (known.lease) known.lease.pace.end();
  known.lease = null;
  at("lease").checked = false;
  put("lease-now", words);
}

async function endLease() {
  if (!known.lease) return;
  const { name } = known.lease;
  dropLease("");
  try { await ask("/v1/lease", { lease: name, end: true }); } catch { /* it ends by itself, on the safe side */ }
}

// ---- Light or dark

const LOOK = "qsyd-look";
function dress(look) {
  document.documentElement.dataset.look = look;
  put("look", look === "dark" ? "Light" : "Dark");
}
at("look").addEventListener("click", () => {
  const look = document.documentElement.dataset.look === "dark" ? "light" : "dark";
  localStorage.setItem(LOOK, look);
  dress(look);
});

dress(localStorage.getItem(LOOK) || "dark");
showCaller();
void whoAmI();
void follow();
setInterval(() => { if (!document.hidden) void refresh(); }, EVERY_MS);
setInterval(tick, 250);
document.addEventListener("visibilitychange", () => {
  if (document.hidden) return;
  void refresh();
  void renewLease();  // where the page was put to sleep: says at once whether the lease is gone
});
