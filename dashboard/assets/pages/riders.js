// The effort question: rows filled from the records, read off the page when they are asked about.
(function () {
  "use strict";
  const { around, byId, set } = window.slopewatch;
  let filling = false; // from the records, not by hand

  // Dash's fields hear of a new value only through an event of their own.
  function put(name, value) {
    const field = byId(name);
    if (!field) return;
    const setter = Object.getOwnPropertyDescriptor(window.HTMLInputElement.prototype, "value").set;
    setter.call(field, value);
    field.dispatchEvent(new Event("input", { bubbles: true }));
  }

  function fill(n, value) {
    const [day, meter, watts, seconds] = value.split("|");
    byId("rider-date-" + n).value = day;
    const list = byId("rider-meter-" + n);
    if (!Array.from(list.options).some((one) => one.value === meter)) list.add(new Option(meter, meter));
    list.value = meter;
    put("rider-watts-" + n, watts);
    put("rider-seconds-" + n, seconds);
  }

  function number(name) {
    const text = byId(name).value.trim().replace(",", ".");
    return text === "" || isNaN(Number(text)) ? null : Number(text);
  }

  // 1200, 20:00 and 1:05:30 alike; null where there is nothing, NaN where it cannot be read.
  function seconds(name) {
    const text = byId(name).value.trim().replace(",", ".");
    if (text === "") return null;
    const places = text.split(":");
    if (places.length > 3 || places.some((place) => place === "" || isNaN(Number(place)))) return NaN;
    return places.reduce((sum, place) => 60 * sum + Number(place), 0);
  }

  // What is wrong with a field is said under it.
  function complain(name, text) {
    byId(name).setAttribute("aria-invalid", String(Boolean(text)));
    byId(name + "-wrong").textContent = text || "";
    return Boolean(text);
  }

  function readRow(n) {
    return {
      date: byId("rider-date-" + n).value,
      meter_id: byId("rider-meter-" + n).value || null,
      watts: number("rider-watts-" + n),
      seconds: seconds("rider-seconds-" + n),
      zeroed: byId("rider-zeroed-" + n).value || null,
      cadence_rpm: number("rider-cadence-" + n),
      temperature_c: number("rider-celsius-" + n),
    };
  }

  function complaints(rows, today) {
    const said = {};
    rows.forEach(function (row, n) {
      said["rider-date-" + n] = !row.date
        ? "Enter the day."
        : today && row.date > today
          ? "That day is still to come."
          : n === 1 && rows[0].date && row.date < rows[0].date
            ? "This is before the first effort: swap the two."
            : "";
      said["rider-watts-" + n] = !(row.watts > 0)
        ? "Enter the watts that were shown, a number above 0."
        : row.watts >= 5000
          ? "More than 5000 W: mistyped?"
          : "";
      said["rider-seconds-" + n] =
        row.seconds !== null && !(row.seconds > 0) ? "Enter 20:00 or 1200, or leave it empty." : "";
      const cadence = byId("rider-cadence-" + n).value.trim();
      said["rider-cadence-" + n] =
        cadence !== "" && !(row.cadence_rpm > 0 && row.cadence_rpm <= 250)
          ? "Enter a number up to 250, or leave it empty."
          : "";
      const celsius = byId("rider-celsius-" + n).value.trim();
      said["rider-celsius-" + n] =
        celsius !== "" && !(row.temperature_c >= -30 && row.temperature_c <= 60)
          ? "Enter degrees Celsius, −30 to 60, or leave it empty."
          : "";
    });
    return said;
  }

  function ask() {
    const rows = [0, 1].map(readRow);
    const said = complaints(rows, document.querySelector(".effort-form").dataset.today);
    const wrong = Object.keys(said).filter((name) => complain(name, said[name]));
    if (wrong.length) return byId(wrong[0]).focus();
    byId("rider-stale").textContent = "";
    const question = { efforts: rows, carry_to: byId("rider-carry").value || null, at: Date.now() };
    set("rider-efforts", { data: question });
  }

  // An answer that stands below other numbers than those it was given for is greyed.
  function changed(field) {
    const row = field.closest("fieldset");
    const list = row && row.querySelector(".effort-record");
    if (list && field !== list && !filling) list.value = "";
    const answer = byId("rider-answer");
    if (!answer || !answer.firstChild) return;
    answer.classList.add("stale");
    byId("rider-stale").textContent = "The answer below was for other numbers: ask again.";
  }

  function ledger() {
    const period = { first: byId("rider-from").value, last: byId("rider-to").value, at: Date.now() };
    if (period.first && period.last) {
      set("rider-ledger-asked", { data: period });
    }
  }

  ["input", "change"].forEach(function (kind) {
    document.addEventListener(kind, function (event) {
      const field = event.target;
      if (!around(event, ".effort-form")) return;
      changed(field);
      if (kind === "change" && field.classList.contains("effort-record") && field.value) {
        filling = true;
        fill(field.dataset.row, field.value);
        filling = false;
      }
    });
  });

  document.addEventListener("click", function (event) {
    const seen = around(event, ".notice-seen");
    if (seen) set("rider-noted", { data: { notice_id: seen.dataset.notice, at: Date.now() } });
    if (around(event, "#rider-ask")) ask();
    if (around(event, "#rider-ledger")) ledger();
  });
})();
