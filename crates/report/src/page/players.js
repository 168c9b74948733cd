// Listening: one stem sounds at a time, and all have one place in the song. Nothing plays before somebody asks for it.
"use strict";
{
  const field = document.querySelector(".field"), bar = document.getElementById("hearing");
  const players = new Map([...document.querySelectorAll("audio[data-stem]")].map(audio => [audio.dataset.stem, audio]));
  if (field && bar && players.size > 0) {
    const volume = document.getElementById("volume"), heard = document.getElementById("heard");
    const start = Number(field.dataset.start), end = Number(field.dataset.end);
    const buttons = [], mark = document.createElement("i");
    // Where the song stands, in seconds from the first frame of the prepared files.
    let place = 0, sounding = null;

    const clock = seconds => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;
    const name = audio => audio.getAttribute("aria-label");
    const kinds = { wav: "audio/wav", aif: "audio/aiff", aiff: "audio/aiff", caf: "audio/x-caf", flac: "audio/flac" };
    const ending = audio => decodeURI(audio.getAttribute("src")).split(".").pop().toLowerCase();
    const isPlayable = audio => audio.canPlayType(kinds[ending(audio)] ?? "") !== "";

    const draw = () => {
      mark.style.setProperty("--at", Math.min(Math.max((place - start) / (end - start), 0), 1));
      for (const button of buttons) {
        const on = players.get(button.dataset.stem) === sounding;
        button.setAttribute("aria-pressed", on);
        button.firstChild.textContent = on ? "■" : "▶";
        button.closest(".row").classList.toggle("sounding", on);
      }
    };
    const say = text => { if (heard.textContent !== text) heard.textContent = text; };
    const stop = () => {
      sounding?.pause();
      sounding = null;
      draw();
    };
    const refuse = audio => {
      if (audio === sounding) sounding = null;
      const file = decodeURI(audio.getAttribute("src"));
      say(`“${name(audio)}” cannot be played: ${isPlayable(audio)
        ? `${file} is not beside this page, or this browser does not play what is in it`
        : `this browser does not play .${ending(audio)} files`}. A workstation does.`);
      draw();
    };
    const go = seconds => {
      place = Math.min(Math.max(seconds, 0), end);
      if (sounding) sounding.currentTime = place;
      draw();
    };
    const solo = audio => {
      if (audio === sounding) return stop();
      if (!isPlayable(audio)) {
        stop();
        return refuse(audio);
      }
      audio.currentTime = place;
      audio.play().catch(error => { if (error.name !== "AbortError") refuse(audio); });
    };

    for (const audio of players.values()) {
      audio.volume = volume.value;
      audio.addEventListener("play", () => {
        for (const other of players.values()) if (other !== audio) other.pause();
        if (audio !== sounding && Math.abs(audio.currentTime - place) > 0.05) audio.currentTime = place;
        sounding = audio;
        say(`${name(audio)} alone, from ${clock(place)}`);
        draw();
      });
      audio.addEventListener("pause", () => { if (audio === sounding) { sounding = null; draw(); } });
      audio.addEventListener("timeupdate", () => { if (audio === sounding && !audio.seeking) { place = audio.currentTime; draw(); } });
      audio.addEventListener("seeked", () => { if (audio === sounding || sounding === null) { place = audio.currentTime; draw(); } });
      audio.addEventListener("ended", () => go(0));
      audio.addEventListener("error", () => refuse(audio));
      audio.addEventListener("volumechange", () => {
        if (audio.volume === Number(volume.value)) return;
        volume.value = audio.volume;
        for (const other of players.values()) other.volume = audio.volume;
      });
    }
    volume.addEventListener("input", () => { for (const audio of players.values()) audio.volume = volume.value; });
    document.getElementById("stop").addEventListener("click", () => { stop(); say("Stopped."); });

    for (const link of field.querySelectorAll("a.hear")) {
      const button = document.createElement("button"), row = link.closest(".row");
      button.type = "button";
      button.className = "hear";
      button.dataset.stem = row.dataset.stem;
      button.tabIndex = buttons.length === 0 ? 0 : -1;
      const audio = players.get(row.dataset.stem);
      button.setAttribute("aria-label", `Solo ${name(audio)}`);
      const sign = document.createElement("span");
      sign.setAttribute("aria-hidden", "true");
      button.append(sign);
      button.addEventListener("click", () => solo(audio));
      buttons.push(button);
      link.replaceWith(button);
    }
    const focus = button => {
      if (!button) return;
      for (const other of buttons) other.tabIndex = other === button ? 0 : -1;
      button.focus();
    };
    field.addEventListener("keydown", event => {
      const at = buttons.indexOf(event.target);
      if (at < 0 || event.ctrlKey || event.metaKey || event.altKey) return;
      const act = {
        ArrowDown: () => focus(buttons[at + 1]),
        ArrowUp: () => focus(buttons[at - 1]),
        Home: () => focus(buttons[0]),
        End: () => focus(buttons[buttons.length - 1]),
        ArrowLeft: () => go(place - 5),
        ArrowRight: () => go(place + 5),
        Escape: stop,
      }[event.key];
      if (!act) return;
      act();
      event.preventDefault();
    });
    field.addEventListener("click", event => {
      const strip = event.target.closest("svg.strip");
      if (!strip) return;
      const box = strip.getBoundingClientRect();
      go(start + (event.clientX - box.left) / box.width * (end - start));
      say(`The song stands at ${clock(place)}.`);
    });
    mark.className = "place";
    mark.setAttribute("aria-hidden", "true");
    field.append(mark);
    bar.hidden = false;
    draw();
  }
  // What a wide first screen has room for stands open there.
  const wide = matchMedia("(min-width: 60.01rem)");
  const unfold = () => { for (const few of document.querySelectorAll("details.few")) few.open = wide.matches; };
  wide.addEventListener("change", unfold);
  unfold();
}
