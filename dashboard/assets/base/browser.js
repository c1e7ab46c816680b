// What the other scripts share: finding elements, following addresses, telling Dash.
// Named functions only: the content policy allows no evaluated code.
(function () {
  "use strict";
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.slopewatch = {}; // what Python names as callbacks in the browser
  window.dashAgGridFunctions = window.dashAgGridFunctions || {};
  window.dashAgGridFunctions.slopewatch = {}; // what a table's column names
  window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {};

  const byId = (name) => document.getElementById(name);

  // The closest element around what an event hit; null where there is none.
  function around(event, selector) {
    return event.target.closest ? event.target.closest(selector) : null;
  }

  function set(name, properties) {
    if (window.dash_clientside.set_props) window.dash_clientside.set_props(name, properties);
  }

  function say(text) {
    set("shell-notice", { children: text });
  }

  // The day looked from, as the address has it; null for today.
  function asOf() {
    return new URLSearchParams(window.location.search).get("as_of");
  }

  // Opens a page; the day looked from goes along.
  function open(path, asked) {
    const query = new URLSearchParams(asked || {});
    if (asOf()) query.set("as_of", asOf());
    const text = query.toString();
    go(text ? path + "?" + text : path);
  }

  function go(href) {
    set("place", { href: href });
  }

  // What is filled in, by field: {from: "2027-01-01"} of the element PREFIX-from; empty ones are
  // left out.
  function filledIn(prefix, names) {
    const found = {};
    for (const name of names) {
      const field = byId(prefix + "-" + name);
      if (field && field.value) found[name] = field.value;
    }
    return found;
  }

  // What is worked out is asked for no more, from the moment when somebody stops it.
  window.dash_clientside.slopewatch.paused = () => true;

  window.slopewatch = {
    byId: byId,
    around: around,
    set: set,
    say: say,
    asOf: asOf,
    open: open,
    go: go,
    filledIn: filledIn,
    meterPath: (meter) => "/meter/" + encodeURIComponent(meter),
  };
})();
