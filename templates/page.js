// The page of `hil bench --page`: shows the parts of the run's state as they come, and makes the sounds.
"use strict";

const at = (id) => document.getElementById(id);
const sides = { front: at("front"), back: at("back") };
const seen = { front: "from the front", back: "from the solder side: left and right are exchanged" };
// Title elements come first in a picture; its caps follow, in the order of their numbers.
const caps = Object.fromEntries(Object.entries(sides).map(
    ([side, picture]) => [side, [...picture.querySelectorAll("svg.keyboard > g")]]));

let side = document.body.dataset.side;
let next = null, trouble = null, ended = null, stage = null, far = null, total = 0, proven = 0;

// -- sound: a tone while contact lasts, then what it was ------------------------------------------------

const LONGEST_TONE_S = 4; // a switch that sticks needn't be heard for ever
const RANK = { good: 0, elsewhere: 1, fault: 2 };
let audio = null, tone = null, later = null;

function note(hertz, toHertz, seconds, after, volume) {
    const begin = audio.currentTime + after, end = begin + seconds;
    const oscillator = audio.createOscillator(), gain = audio.createGain();
    oscillator.type = "triangle";
    oscillator.frequency.setValueAtTime(hertz, begin);
    oscillator.frequency.exponentialRampToValueAtTime(toHertz, end);
    gain.gain.setValueAtTime(0.0001, begin);
    gain.gain.exponentialRampToValueAtTime(volume, begin + 0.008);
    gain.gain.setValueAtTime(volume, Math.max(begin + 0.008, end - 0.02));
    gain.gain.exponentialRampToValueAtTime(0.0001, end);
    oscillator.connect(gain).connect(audio.destination);
    oscillator.start(begin);
    oscillator.stop(end);
    return oscillator;
}

function play(sound) {
    if (!audio) return;
    if (sound === "good") note(660, 1320, 0.16, 0, 0.3);
    if (sound === "elsewhere") note(2200, 2000, 0.03, 0, 0.3);
    if (sound === "fault") { note(165, 155, 0.15, 0, 0.5); note(165, 155, 0.15, 0.22, 0.5); }
}

function contact(closed) {
    at("next").classList.toggle("touching", closed);
    at("lasting").hidden = !closed;
    if (tone) tone.stop();
    tone = null;
    if (closed && audio) {
        const own = tone = note(1000, 1000, LONGEST_TONE_S, 0, 0.2);
        own.onended = () => { if (tone === own) { tone = null; playLater(); } };
    }
    if (!tone) playLater();
}

function sounded(sound) {
    if (!tone) { play(sound); return; }
    if (later === null || RANK[sound] > RANK[later]) later = sound;
}

function playLater() {
    if (later !== null) play(later);
    later = null;
}

at("sound").onclick = () => {
    if (audio) {
        audio.close();
        audio = tone = later = null;
    } else {
        audio = new AudioContext();
        play("good");
    }
    at("sound").textContent = audio ? "Sound is on: switch it off" : "Sound is off: switch it on";
    at("sound").setAttribute("aria-pressed", String(audio !== null));
};

// -- what is to be seen ---------------------------------------------------------------------------------

function drawn(markup) {
    const text = `<svg xmlns="http://www.w3.org/2000/svg">${markup}</svg>`;
    return document.importNode(new DOMParser().parseFromString(text, "image/svg+xml").documentElement.firstChild, true);
}

function showCaps(changed) {
    for (const [number, markups] of Object.entries(changed)) {
        Object.keys(sides).forEach((name, n) => {
            const cap = drawn(markups[n]);
            caps[name][number].replaceWith(cap);
            caps[name][number] = cap;
        });
    }
}

function showSide() {
    for (const name of Object.keys(sides)) sides[name].hidden = name !== side;
    at("from").textContent = `seen ${seen[side]}`;
    at("side").textContent = side === "front" ? "Show the solder side" : "Show the front";
    showNext();
}

at("side").onclick = () => { side = side === "front" ? "back" : "front"; showSide(); };
at("silent").onclick = () => { post("silent", true); at("silent").blur(); };

function big(text, share = 24) {
    // A letter is about 0.72 of its size wide. A name stands on one line, and leaves room beside it for the
    // word that tells of contact; a sentence stands on several.
    const size = text.length <= 16 ? `min(${share}vh, ${Math.round(100 / Math.max(3, text.length))}vw)` : "min(9vh, 5vw)";
    at("name").style.fontSize = size;
    at("name").textContent = text;
}

function place(text) {
    // On one line, or on two that are smaller.
    at("place").style.fontSize = `min(6vh, ${Math.max(2.7, Math.min(4.4, 150 / Math.max(1, text.length))).toFixed(2)}vw)`;
    at("place").textContent = text;
}

function showNext() {
    at("next").classList.toggle("trouble", trouble !== null && !ended);
    at("silent").hidden = !next || trouble !== null || ended !== null || stage?.name === "typing";
    if (ended) {
        big(ended.word, 14);
        place(ended.text);
        at("hint").textContent = "";
    } else if (trouble !== null) {
        big("Trouble");
        place(trouble);
        at("hint").textContent = "what was proven is kept";
    } else if (next) {
        big(next.name);
        place(next.places[side]);
        const how = next.how ? `${next.how[0].toUpperCase()}${next.how.slice(1)}. ` : "";
        at("hint").textContent = next.instead ? `${how}No answer? Then touch ${next.instead}.` : how;
    } else if (stage) {
        big(stage.name);
        place(stage.text);
        at("hint").textContent = "";
    }
}

function showCount() {
    const known = `${proven} of ${total} proven`;
    const [done, all] = far && !ended ? [far.done, far.total] : [proven, total];
    at("count").textContent = far && !ended ? `${far.text} · ${known}` : known;
    at("bar").style.width = `${all ? 100 * done / all : 0}%`;
    at("progress").setAttribute("aria-valuenow", done);
    at("progress").setAttribute("aria-valuemax", all);
}

function showCounts(counts) {
    for (const item of document.querySelectorAll(".legend > li")) {
        const count = counts[item.id.slice("count-".length)] ?? 0;
        item.hidden = !count;
        item.querySelector("span").textContent = count;
    }
}

function element(tag, text, kind) {
    const made = document.createElement(tag);
    made.textContent = text;
    if (kind) made.className = kind;
    return made;
}

function showEnding() {
    document.body.classList.add("ended");
    at("ending").hidden = false;
    at("ending").className = ended.verdict;
    const trouble = ended.trouble ? [`The bench could not go on: ${ended.trouble}`] : [];
    at("trouble").textContent = [...trouble, ...ended.notes].map((text) => `${text}.`).join(" ");
    at("unplug").hidden = !ended.faults.length;
    at("faults").replaceChildren(...ended.faults.map((fault) => {
        const item = document.createElement("li");
        const others = fault.others ? `, or ${fault.others} other cause${fault.others > 1 ? "s" : ""} (see the report)` : "";
        item.append(element("b", fault.title), element("div", `${fault.what}${others}`),
            element("div", `Look at: ${fault.look_at}`, "quiet"), element("div", `Meter: ${fault.meter}`, "quiet"));
        return item;
    }));
    at("measuring").hidden = !ended.measured.length;
    at("measured").replaceChildren(...ended.measured.map((text) => element("li", text)));
    at("leaving").hidden = !ended.not_tested.length;
    at("untested").replaceChildren(...ended.not_tested.map((text) => element("li", text)));
}

function showReport(file) {
    at("report").hidden = false;
    at("file").textContent = file;
}

function show(state) {
    if (state.caps) showCaps(state.caps);
    if (state.counts) showCounts(state.counts);
    if ("total" in state) total = state.total;
    if ("proven" in state) proven = state.proven;
    if ("stage" in state) {
        stage = state.stage;
        at("stage").textContent = stage.name;
        at("typing").hidden = stage.name !== "typing";
    }
    if ("far" in state) far = state.far;
    if ("trouble" in state) trouble = state.trouble;
    if ("next" in state) next = state.next;
    if (state.ended) { ended = state.ended; at("typing").hidden = true; showEnding(); }
    if ("report" in state) showReport(state.report);
    if ("said" in state) at("said").replaceChildren(...state.said.map(([text, mood]) => element("li", text, mood)));
    if ("sent" in state) at("sent").textContent = state.sent;
    showCount();
    showNext();
    if ("contact" in state) contact(state.contact);
    if (state.sound) sounded(state.sound);
}

// -- keys, while the stage `typing` asks for them -------------------------------------------------------

let posted = Promise.resolve(); // one after the other: their order matters

function post(name, value) {
    const send = () => fetch(name, { method: "POST", body: JSON.stringify(value), headers: { "Content-Type": "application/json" } });
    posted = posted.then(send, send).catch(() => {});
}

function key(event) {
    if (at("typing").hidden) return;
    event.preventDefault();
    if (event.repeat || !event.code) return;
    const down = event.type === "keydown";
    at("heard").textContent = `${event.code} ${down ? "down" : "up"}`;
    post("key", { code: event.code, down, t_ms: event.timeStamp });
}

window.addEventListener("keydown", key, true);
window.addEventListener("keyup", key, true);

// -- the bench ------------------------------------------------------------------------------------------

const events = new EventSource("events");
events.onmessage = (message) => { at("gone").hidden = true; show(JSON.parse(message.data)); };
events.onerror = () => {
    contact(false);
    if (ended) {
        events.close();
        at("report").hidden = true; // nobody serves it any more
        return;
    }
    at("gone").hidden = false;
    at("gone").textContent = "The bench doesn't answer: it has ended, or this computer slept. What was proven is in its record.";
};

showSide();
