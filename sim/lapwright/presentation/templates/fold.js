// Parts of the page fold: a link to one opens it, and so does printing, which needs all of them.
(function () {
  "use strict";
  var parts = Array.prototype.slice.call(document.querySelectorAll(".part > details"));
  var closed = [];
  function reach() {
    var part = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (part && part.firstElementChild && part.firstElementChild.tagName === "DETAILS") { part.firstElementChild.open = true; }
  }
  window.addEventListener("hashchange", reach);
  window.addEventListener("beforeprint", function () {
    closed = parts.filter(function (part) { return !part.open; });
    closed.forEach(function (part) { part.open = true; });
  });
  window.addEventListener("afterprint", function () {
    closed.forEach(function (part) { part.open = false; });
  });
  // What is drawn to the width that it has is drawn again once it has one.
  parts.forEach(function (part) {
    part.addEventListener("toggle", function () { if (part.open) { window.dispatchEvent(new Event("resize")); } });
  });
  reach();
}());
