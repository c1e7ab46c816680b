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

  async function leave() {
    const answer = await fetch("/demo/leave", { method: "POST" });
    window.location.assign((await answer.json()).address);
  }

  document.addEventListener("click", function (event) {
    const button = around(event, ".demo-enter");
    if (button) enter(button);
    if (around(event, "#demo-leave")) leave();
  });
})();
