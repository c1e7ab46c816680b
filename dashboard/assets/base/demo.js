// Into the demo and out of it: another address, which is opened once it is served.
(function () {
  "use strict";
  const { around, say } = window.slopewatch;
  const soon = () => new Promise((done) => setTimeout(done, 800));

  async function enter(button) {
    const said = button.parentElement.querySelector("[role=status]");
    button.disabled = true;
    try {
      for (;;) {
        const answer = await fetch("/demo/enter", { method: "POST" });
        if (!answer.ok) return say(await answer.text());
        const told = await answer.json();
        if (told.address) return window.location.assign(told.address);
        said.textContent = "The demo is being made ready: " + told.said + "…";
        await soon();
      }
    } catch (error) {
      say("The dashboard does not answer.");
    } finally {
      said.textContent = "";
      button.disabled = false;
    }
  }

  function leave(button) {
    button.disabled = true;
    const there = () => window.location.assign(button.dataset.back);
    fetch("/demo/leave", { method: "POST" }).then(there, there); // an ended demo is left as well
  }

  document.addEventListener("click", function (event) {
    const button = around(event, ".demo-enter");
    if (button) enter(button);
    const out = around(event, "#demo-leave");
    if (out) leave(out);
  });
})();
