// Words of the bench page: the models' reasons, worded by the models' own templates, which come
// with the page's data (`kit.wording`), and numbers and days as the page shows them.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});
  const MINUS = "\u2212";
  const MISSING = "\u2014";
  const MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");

  // A number with so many decimals; what rounds to zero carries no sign.
  function show(value, digits, signed) {
    if (!bench.typed(value)) return MISSING;
    const text = Math.abs(value).toFixed(digits);
    if (!/[1-9]/.test(text)) return text;
    return (value < 0 ? MINUS : signed ? "+" : "") + text;
  }

  // A number as it would be typed: up to six significant digits.
  function significant(value) {
    return bench.typed(value) ? String(Number(value.toPrecision(6))).replace("-", MINUS) : MISSING;
  }

  // A slope at the meter's step, 5.40 as 5.40; one that is no multiple as it is.
  function slopeText(meter, value) {
    if (!bench.typed(value) || !meter.slope_step) return significant(value);
    const digits = (String(Number(meter.slope_step.toPrecision(10))).split(".")[1] || "").length;
    const text = value.toFixed(digits);
    return Math.abs(Number(text) - value) < 1e-6 * meter.slope_step ? text : significant(value);
  }

  // The formats that templates may name, as in models/wording/formats.py.
  const FORMATS = {
    fixed1: (value) => show(value, 1),
    fixed2: (value) => show(value, 2),
    signed2: (value) => show(value, 2, true),
    plain: significant,
    then: (value) => (value === null ? "" : " " + value),
    bracketed: (value) => (value === null ? "" : " (" + value + ")"),
  };

  // reason: a kind, and the values of its template; a value may be a reason itself.
  function words(kit, reason) {
    return kit.wording[reason.kind].replace(/\{(\w+)(?::(\w+))?\}/g, (_whole, name, format) => {
      const value = reason.values[name];
      if (format) return FORMATS[format](value);
      return value && value.kind ? words(kit, value) : String(value);
    });
  }

  // An ISO day as a person says it: 4 Mar 2026.
  function day(iso) {
    const [year, month, date] = String(iso || "").slice(0, 10).split("-").map(Number);
    return date ? date + "\u00a0" + MONTHS[month - 1] + "\u00a0" + year : MISSING;
  }

  Object.assign(bench, { show: show, significant: significant, slopeText: slopeText, words: words, day: day });
})();
