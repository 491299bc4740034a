"use strict";
(function () {
  const sliders = document.getElementById("sliders");
  const told = document.getElementById("told");
  let asking = null;
  let timer = null;

  function chosen(slider) {
    return slider.dataset.values.split("|")[Number(slider.value)];
  }

  function name(slider) {
    const words = slider.dataset.words.split("|")[Number(slider.value)];
    slider.parentElement.querySelector("output").textContent = words;
    slider.setAttribute("aria-valuetext", words);
  }

  async function redraw() {
    const began = performance.now();
    if (asking) asking.abort();
    asking = new AbortController();
    const query = new URL(sliders.dataset.rows, location.href);
    sliders.querySelectorAll("input").forEach((slider) => {
      if (chosen(slider)) query.searchParams.set(slider.name, chosen(slider));
    });
    let outcomes;
    try {
      const answer = await fetch(query, { signal: asking.signal });
      if (!answer.ok) throw new Error("This scenario cannot be told.");
      outcomes = await answer.json();
    } catch (error) {
      if (error.name !== "AbortError") told.textContent = error.message;
      return;
    }
    for (const [outcome, { rows, words }] of Object.entries(outcomes)) {
      const section = document.querySelector(`[data-outcome="${outcome}"]`);
      if (!section) continue;
      const figure = section.querySelector("figure");
      if (figure.view) await figure.view.data("rows", rows).runAsync();
      const list = section.querySelector(".words");
      list.replaceChildren(...words.map((line) => {
        const item = document.createElement("li");
        item.textContent = line;
        return item;
      }));
    }
    sliders.dataset.redrawn = String(Number(sliders.dataset.redrawn || 0) + 1);
    sliders.dataset.milliseconds = String(performance.now() - began);
    clearTimeout(timer);  // a screen reader hears the outcome once the slider rests
    timer = setTimeout(() => {
      told.textContent = [...document.querySelectorAll(".words")].map((list) => list.textContent).join(" ");
    }, 700);
  }

  sliders.querySelectorAll("input").forEach((slider) => {
    name(slider);
    slider.addEventListener("input", () => { name(slider); redraw(); });
  });
})();
