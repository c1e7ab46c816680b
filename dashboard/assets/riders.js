// The effort question: rows filled from the records, read off the page when they are asked about.
(function () {
  "use strict";
  const byId = (name) => document.getElementById(name);

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

  function complain(name, wrong) {
    byId(name).setAttribute("aria-invalid", String(wrong));
    return wrong;
  }

  function ask() {
    const rows = [0, 1].map((n) => ({
      date: byId("rider-date-" + n).value,
      meter_id: byId("rider-meter-" + n).value || null,
      watts: number("rider-watts-" + n),
      seconds: number("rider-seconds-" + n),
    }));
    let wrong = null;
    rows.forEach(function (row, n) {
      if (complain("rider-date-" + n, !row.date)) wrong = wrong || "rider-date-" + n;
      if (complain("rider-watts-" + n, !(row.watts > 0))) wrong = wrong || "rider-watts-" + n;
    });
    if (wrong) return byId(wrong).focus();
    window.dash_clientside.set_props("rider-efforts", { data: rows });
  }

  function ledger() {
    const period = { first: byId("rider-from").value, last: byId("rider-to").value, at: Date.now() };
    if (period.first && period.last) {
      window.dash_clientside.set_props("rider-ledger-asked", { data: period });
    }
  }

  document.addEventListener("change", function (event) {
    const list = event.target;
    if (list.classList && list.classList.contains("effort-record") && list.value) {
      fill(list.dataset.row, list.value);
    }
  });

  document.addEventListener("click", function (event) {
    if (!event.target.closest) return;
    const seen = event.target.closest(".notice-seen");
    if (seen) {
      const noted = { notice_id: seen.dataset.notice, at: Date.now() };
      window.dash_clientside.set_props("rider-noted", { data: noted });
    }
    if (event.target.closest("#rider-ask")) ask();
    if (event.target.closest("#rider-ledger")) ledger();
  });
})();
