"use strict";
(() => {
  const root = document.documentElement;
  root.classList.add("js");

  const theme = document.getElementById("theme");
  theme.hidden = false;
  theme.addEventListener("click", () => {
    const dark = root.dataset.theme
      ? root.dataset.theme === "dark"
      : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
  });

  // On paper nothing can be opened.
  let opened = [];
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details:not([open])")];
    for (const details of opened) details.open = true;
  });
  addEventListener("afterprint", () => {
    for (const details of opened) details.open = false;
  });

  // Slower than three changes a second, which is the limit of WCAG 2.2, 2.3.1 (three flashes or below).
  const BLINK_MS = 600;

  for (const viewer of document.querySelectorAll(".viewer")) {
    const stage = viewer.querySelector(".stage");
    const range = viewer.querySelector("input[type=range]");
    const status = viewer.querySelector(".status");
    const [places, looks] = viewer.querySelectorAll("fieldset");
    const buttons = {
      states: viewer.querySelector(".blink-states"),
      eyes: viewer.querySelector(".blink-eyes"),
    };
    const tags = { before: stage.querySelector(".tag.before"), after: stage.querySelector(".tag.after") };
    const names = [tags.before.textContent, tags.after.textContent];
    const lookNames = [...looks.querySelectorAll("span")].map((span) => span.textContent);
    const left = lookNames.indexOf("Left eye");
    const right = lookNames.indexOf("Right eye");
    let blinking = null;
    let second = false;
    let timer = 0;

    const chosen = (group) => group.querySelector("input:checked").value;

    function draw() {
      let wipe = Number(range.value);
      let look = chosen(looks);
      if (blinking === "states") wipe = second ? 0 : 100;
      if (blinking === "eyes") look = String(second ? right : left);
      stage.style.setProperty("--wipe", `${wipe}%`);
      for (const place of stage.querySelectorAll(".place")) {
        const shown = place.dataset.place === chosen(places);
        place.classList.toggle("shown", shown);
        for (const image of place.querySelectorAll("img")) {
          image.classList.toggle("shown", shown && image.dataset.look === look);
        }
      }
      stage.classList.toggle("blinking", blinking === "states");
      tags.before.classList.toggle("off", wipe < 12);
      tags.after.classList.toggle("off", wipe > 88);
      stage.dataset.showing = blinking === "eyes" ? lookNames[look] : blinking === "states" ? names[Number(second)] : "wipe";
      range.setAttribute("aria-valuetext", `${range.value} percent ${names[0]}, the rest ${names[1]}`);
    }

    function blink(which) {
      blinking = blinking === which ? null : which;
      second = false;
      clearInterval(timer);
      for (const [name, button] of Object.entries(buttons)) {
        button.setAttribute("aria-pressed", String(name === blinking));
      }
      status.textContent = {
        states: `Blinking between ${names.join(" and ")}.`,
        eyes: "Blinking between the left and the right eye: what jumps up or down is vertical disparity.",
      }[blinking] ?? "";
      if (blinking) {
        timer = setInterval(() => {
          second = !second;
          draw();
        }, BLINK_MS);
      }
      draw();
    }

    function wipeTo(percent) {
      range.value = String(Math.min(100, Math.max(0, percent)));
      if (blinking === "states") blink("states");
      draw();
    }

    function choose(group, index) {
      const input = group.querySelectorAll("input")[index];
      if (input) {
        input.checked = true;
        draw();
      }
    }

    range.addEventListener("input", () => wipeTo(Number(range.value)));
    viewer.addEventListener("change", draw);
    buttons.states.addEventListener("click", () => blink("states"));
    buttons.eyes.addEventListener("click", () => blink("eyes"));
    viewer.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const key = event.key.toLowerCase();
      if (key === "b") blink("states");
      else if (key === "e") blink("eyes");
      else if (/^[1-9]$/.test(key)) choose(places, Number(key) - 1);
      else if ((key === "arrowleft" || key === "arrowright") && event.target === stage) {
        wipeTo(Number(range.value) + (key === "arrowleft" ? -2 : 2));
      } else return;
      event.preventDefault();
    });
    const follow = (event) => {
      const box = stage.getBoundingClientRect();
      wipeTo((100 * (event.clientX - box.left)) / box.width);
    };
    stage.tabIndex = 0;
    stage.setAttribute("role", "group");
    stage.setAttribute("aria-label", `Picture, ${names.join(" and ")}; arrow keys move the wipe`);
    stage.addEventListener("pointerdown", (event) => {
      stage.setPointerCapture(event.pointerId);
      follow(event);
    });
    stage.addEventListener("pointermove", (event) => {
      if (stage.hasPointerCapture(event.pointerId)) follow(event);
    });
    draw();
  }
})();
