(function () {
  "use strict";
  var radios = Array.prototype.slice.call(document.querySelectorAll("input[name=speed]"));
  var stage = document.querySelector(".stage");
  if (!stage || radios.length < 2) return;

  var range = document.createElement("input");
  range.type = "range";
  range.className = "range";
  range.min = 0;
  range.max = radios.length - 1;
  range.setAttribute("aria-label", "Speed");
  stage.insertBefore(range, stage.firstChild);

  var marks = [];
  document.querySelectorAll("[data-low]").forEach(function (holder) {
    var mark = document.createElement("i");
    mark.className = "mark";
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
    range.setAttribute("aria-valuetext", radios[index].nextElementSibling.textContent);
    marks.forEach(function (entry) { place(entry, +radios[index].value); });
  }

  range.addEventListener("input", function () {
    radios[range.value].checked = true;
    follow();
  });
  radios.forEach(function (radio) { radio.addEventListener("change", follow); });
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details.printed").forEach(function (folded) { folded.open = true; });
  });
  follow();
})();
