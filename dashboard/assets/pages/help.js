// The help page: while words are typed, the topics that hold all of them, opened.
(function () {
  "use strict";
  const { byId } = window.slopewatch;

  function search(typed) {
    const words = typed.toLowerCase().split(/\s+/).filter(Boolean);
    const topics = Array.from(document.querySelectorAll(".help .topic"));
    for (const topic of topics) {
      const text = topic.textContent.toLowerCase();
      topic.hidden = !words.every((word) => text.includes(word));
      topic.querySelector("details").open = words.length > 0;
    }
    const none = topics.every((topic) => topic.hidden);
    byId("help-none").textContent = none ? "Nothing is said of that: try another word." : "";
  }

  document.addEventListener("input", function (event) {
    if (event.target.id === "help-search") search(event.target.value);
  });
})();
