(function () {
  "use strict";
  document.querySelectorAll(".one").forEach(function (one) {
  var radios = Array.prototype.slice.call(one.querySelectorAll(".speeds > input"));
  var hero = one.querySelector(".hero"), plot = hero && hero.querySelector(".plot");
  if (!plot || radios.length < 2) return;
  document.documentElement.classList.add("live");

  var lefts = Array.prototype.map.call(hero.querySelectorAll(".line"), function (line) {
    return parseFloat(line.style.left);
  });
  var range = document.createElement("input");
  range.type = "range";
  range.className = "range";
  range.min = 0;
  range.max = radios.length - 1;
  range.setAttribute("aria-label", one.querySelector(".speeds legend").textContent);
  hero.insertBefore(range, plot);

  var marks = [];
  one.querySelectorAll("[data-low]").forEach(function (holder) {
    var mark = document.createElement("i");
    mark.className = "mark-line";
    holder.appendChild(mark);
    marks.push({ mark: mark, set: holder.dataset });
  });

  function place(entry, speed) {
    var low = Math.log(entry.set.low), high = Math.log(entry.set.high);
    var share = (Math.log(speed) - low) / (high - low);
    entry.mark.hidden = !(share >= 0 && share <= 1);
    entry.mark.style.left = +entry.set.left + share * (entry.set.right - entry.set.left) + "%";
  }

  function follow() {
    var index = radios.findIndex(function (radio) { return radio.checked; });
    range.value = index;
    range.setAttribute("aria-valuetext", hero.querySelectorAll(".mark")[index].textContent);
    marks.forEach(function (entry) { place(entry, +radios[index].value); });
  }

  function choose(index) {
    if (radios[index].checked) return;
    radios[index].checked = true;
    follow();
  }

  function point(event) {
    var box = plot.getBoundingClientRect(), best = 0;
    var left = 100 * (event.clientX - box.left) / box.width;
    lefts.forEach(function (each, index) {
      if (Math.abs(each - left) < Math.abs(lefts[best] - left)) best = index;
    });
    choose(best);
  }

  var held = false;
  plot.addEventListener("pointerdown", function (event) {
    if (event.button) return;
    held = true;
    plot.setPointerCapture(event.pointerId);
    range.focus({ preventScroll: true });
    event.preventDefault();
    point(event);
  });
  plot.addEventListener("pointermove", function (event) { if (held) point(event); });
  ["pointerup", "pointercancel"].forEach(function (name) {
    plot.addEventListener(name, function () { held = false; });
  });
  range.addEventListener("input", function () { choose(+range.value); });
  radios.forEach(function (radio) { radio.addEventListener("change", follow); });
  follow();
  });
})();
