// From page to page without a reload, and what the server refuses on the way.
(function () {
  "use strict";
  const { around, byId, go, say } = window.slopewatch;
  let arrived = false;

  window.dash_clientside.slopewatch.arrive = function (title) {
    if (title) document.title = title;
    if (arrived) {
      window.scrollTo(0, 0);
      const main = byId("page");
      if (main) main.focus({ preventScroll: true });
    }
    arrived = true;
    window.requestAnimationFrame(showOpenPage);
  };

  // On a phone the navigation is one row: it is pushed to where the open page stands.
  function showOpenPage() {
    const here = document.querySelector(".top nav a[aria-current]");
    const row = here && here.closest("ul");
    if (row) row.scrollLeft = here.offsetLeft - (row.clientWidth - here.offsetWidth) / 2;
  }

  document.addEventListener("click", function (event) {
    const link = around(event, "a.inner");
    if (!link || event.defaultPrevented || event.button !== 0) return;
    if (event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
    event.preventDefault();
    go(link.getAttribute("href"));
  });

  // A mark or line of a chart may carry an address beside its words.
  document.addEventListener("click", function (event) {
    const plot = around(event, ".js-plotly-plot");
    const point = plot && plot._hoverdata && plot._hoverdata[0];
    const said = point && point.customdata;
    if (Array.isArray(said) && said[1]) go(said[1]);
  });

  // ---- what the server refuses -----------------------------------------------------------
  // A sign-in that has ended, a file too large: said in the page, which keeps what was typed.
  // What was not begun because too many asked (503) is asked again a few times, by itself.
  const REFUSALS = [401, 403, 413, 421, 503];
  const AGAIN = 3;
  const ask = window.fetch;

  function refusal(status, text) {
    if (status !== 401) return text;
    return [
      "Your sign-in has ended; what you typed is still here. ",
      {
        namespace: "dash_html_components",
        type: "A",
        props: { href: "/sign-in", target: "_blank", children: "Sign in" },
      },
      " in another tab, then go on in this one.",
    ];
  }

  function after(seconds) {
    const apart = 1 + Math.random() / 2; // not all at once
    return new Promise((done) => setTimeout(done, 1000 * seconds * apart));
  }

  function sent(asked, more) {
    return ask.apply(window, asked).then(function (answer) {
      const wait = answer.status === 503 && Number(answer.headers.get("Retry-After"));
      if (wait && more) return after(wait).then(() => sent(asked, more - 1));
      if (REFUSALS.includes(answer.status)) {
        answer
          .clone()
          .text()
          .then((text) => say(refusal(answer.status, text)));
      }
      return answer;
    });
  }

  window.fetch = function () {
    return sent(arguments, AGAIN);
  };
})();
