// The bench page without a network: what it was given is kept on the device by a service worker,
// which opens the page's own frame again. Browsers have those on this machine and where the
// connection is encrypted; elsewhere nothing is kept.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});
  const WORKER = "/assets/base/worker.js";
  const workers = navigator.serviceWorker;

  // Keeps what the page was given for the next reload.
  bench.keepGiven = async function (kit) {
    if (!workers || document.getElementById("bench-alone")) return;
    try {
      await workers.register(WORKER, { scope: "/" });
      (await workers.ready).active.postMessage({ ...kit, asked: null });
    } catch (problem) {
      // a browser that allows none: the page works on as long as it stays open
    }
  };

  async function startAlone() {
    const said = document.getElementById("bench-alone");
    if (!said) return;
    try {
      const chosen = localStorage.getItem("slopewatch-theme");
      if (chosen) document.documentElement.dataset.theme = chosen;
    } catch (problem) {
      // the system's colours
    }
    let kit = null;
    try {
      kit = await bench.ask("/bench/kit");
    } catch (problem) {
      said.textContent = "No network, and nothing of the bench is kept on this device: open the page once while the network is there. What waits to be sent stays.";
      return;
    }
    bench.openPage(kit);
  }

  window.addEventListener("slopewatch-sent", function () {
    const said = document.getElementById("bench-alone");
    if (said) said.textContent = "The server answers again, and what was kept here is sent. The list is from before: open the whole program for today's.";
  });
  window.addEventListener("online", function () {
    const link = document.getElementById("bench-whole");
    if (link) link.textContent = "The network is back: open the whole program";
  });
  document.addEventListener("DOMContentLoaded", startAlone);
})();
