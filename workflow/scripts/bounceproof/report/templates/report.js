"use strict";
// Sorting and sifting the board, listening by parts, opening what a link leads to. Without it the page reads all the same.
(function () {
  const table = document.getElementById("board-table");
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const said = document.getElementById("sieve-count");

  function key(row, column, kind) {
    if (kind === "text") return row.dataset.name;
    const cell = row.cells[column];
    return cell && cell.dataset.value !== undefined && cell.dataset.value !== "" ? Number(cell.dataset.value) : null;
  }

  function sort(head, column) {
    const up = head.getAttribute("aria-sort") !== "ascending";
    const kind = head.dataset.sorts;
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    const keyed = rows.map((row, place) => ({ row, place, value: key(row, column, kind) }));
    keyed.sort(function (a, b) {
      // What is not known comes last, whichever way.
      if (a.value === null || b.value === null) return (a.value === null) - (b.value === null) || a.place - b.place;
      const by = kind === "text" ? a.value.localeCompare(b.value, "en") : a.value - b.value;
      return (up ? by : -by) || a.place - b.place;
    });
    body.append(...keyed.map((one) => one.row));
  }

  Array.from(table.tHead.rows[0].cells).forEach(function (head, column) {
    if (!head.dataset.sorts) return;
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    button.addEventListener("click", () => sort(head, column));
    head.append(button);
  });

  const sieve = document.querySelector(".sieve");
  const [name, word, check] = ["name", "word", "check"].map((part) => document.getElementById("sieve-" + part));

  function sift() {
    const wanted = name.value.trim().toLowerCase();
    let shown = 0;
    for (const row of rows) {
      const fits = row.dataset.name.toLowerCase().includes(wanted)
        && (!word.value || row.dataset.word === word.value)
        && (!check.value || row.dataset.checks.includes("|" + check.value + "|"));
      row.hidden = !fits;
      shown += fits;
    }
    said.textContent = shown === rows.length ? "All " + shown + " tracks." : shown + " of " + rows.length + " tracks.";
  }

  sieve.hidden = false;
  sieve.addEventListener("input", sift);
  sieve.addEventListener("submit", (event) => event.preventDefault());
  sift();

  for (const part of document.querySelectorAll(".listen")) {
    const audio = part.querySelector("audio");
    const buttons = Array.from(part.querySelectorAll("button"));
    const [starts, ends] = [part.dataset.starts, part.dataset.ends].map((text) => text.split(" ").map(Number));
    const playing = () => starts.findIndex((start, place) => audio.currentTime >= start - 0.01 && audio.currentTime < ends[place]);

    function mark() {
      const place = playing();
      buttons.forEach((button, own) => button.setAttribute("aria-pressed", String(own === place && !audio.paused)));
    }

    buttons.forEach(function (button, place) {
      button.addEventListener("click", function () {
        // While another part plays, the same moment is heard in this one.
        const from = playing();
        const into = from < 0 || from === place || audio.paused ? 0 : audio.currentTime - starts[from];
        for (const other of document.querySelectorAll("audio")) if (other !== audio) other.pause();
        audio.currentTime = starts[place] + into;
        audio.play();
      });
    });
    for (const event of ["timeupdate", "play", "pause", "seeked"]) audio.addEventListener(event, mark);
  }

  function open() {
    const target = location.hash ? document.getElementById(decodeURIComponent(location.hash.slice(1))) : null;
    for (let one = target; one; one = one.parentElement) if (one.tagName === "DETAILS") one.open = true;
    if (target) target.scrollIntoView();
  }

  addEventListener("hashchange", open);
  open();
})();
