// Files given to a page, by its field or dropped: named, not too many, in order, folders opened.
(function () {
  "use strict";
  const { around, say } = window.slopewatch;

  // A field for files has no words of its own: it is named by what stands around it.
  function nameFileFields() {
    document.querySelectorAll("input[type=file]:not([aria-label])").forEach(function (field) {
      const around = field.parentElement ? field.parentElement.textContent.trim() : "";
      field.setAttribute("aria-label", around || "Files");
    });
  }

  new MutationObserver(nameFileFields).observe(document.documentElement, {
    childList: true,
    subtree: true,
  });

  // More than the server takes at once is stopped before it is sent; a third is lost on the way.
  const FILES_LIMIT_MB = 46;

  function tooLarge(files) {
    let bytes = 0;
    for (const file of files || []) bytes += file.size;
    if (bytes <= FILES_LIMIT_MB * 1024 * 1024) return false;
    say(
      "These files are more than " + FILES_LIMIT_MB + " MB together: send fewer at a time, or " +
        "load the folder with the `slopewatch load` command."
    );
    return true;
  }

  document.addEventListener(
    "change",
    function (event) {
      if (event.target.type !== "file" || !tooLarge(event.target.files)) return;
      event.preventDefault();
      event.stopImmediatePropagation();
    },
    true
  );

  // A field reads all its files at once and lists each as it comes in, the smallest first. Read one
  // after the other, they stay in the order in which they were given.
  const read = FileReader.prototype.readAsDataURL;
  let line = Promise.resolve();

  FileReader.prototype.readAsDataURL = function (file) {
    const ended = new Promise((done) => this.addEventListener("loadend", done));
    line = line.then(() => (read.call(this, file), ended));
  };

  // ---- what is dropped ---------------------------------------------------------------------
  // The browser lets go of what was dropped once the event is over, and the field behind reads
  // one thing after the other: all are taken hold of here, folders opened, and handed on at once.
  function taken(item) {
    const entry = item.webkitGetAsEntry ? item.webkitGetAsEntry() : null;
    return entry || item.getAsFile();
  }

  function readAll(reader, found) {
    return new Promise((done, failed) => reader.readEntries(done, failed)).then(
      (some) => (some.length ? readAll(reader, found.concat(some)) : found) // a hundred at a time
    );
  }

  async function filesOf(thing) {
    if (!thing || thing instanceof File) return thing ? [thing] : [];
    if (thing.isFile) return [await new Promise((done, failed) => thing.file(done, failed))];
    const inside = await readAll(thing.createReader(), []);
    const seen = inside.filter((one) => !one.name.startsWith(".")); // the system's own files
    seen.sort((one, other) => one.name.localeCompare(other.name)); // listed as it comes
    return (await Promise.all(seen.map(filesOf))).flat();
  }

  async function handOn(things, target) {
    const given = new DataTransfer();
    try {
      const files = (await Promise.all(things.map(filesOf))).flat();
      if (!files.length) say("There is no file in what was dropped.");
      if (!tooLarge(files)) files.forEach((file) => given.items.add(file));
    } catch (error) {
      say("What was dropped could not be read: choose the files by the button instead.");
    }
    const drop = new DragEvent("drop", { bubbles: true, cancelable: true, dataTransfer: given });
    target.dispatchEvent(drop); // an empty one too: the field goes back to how it was
  }

  document.addEventListener(
    "drop",
    function (event) {
      if (!event.isTrusted || !around(event, ".dropzone")) return;
      event.preventDefault();
      event.stopImmediatePropagation();
      const items = Array.from(event.dataTransfer.items).filter((item) => item.kind === "file");
      handOn(items.map(taken), event.target);
    },
    true
  );
})();
