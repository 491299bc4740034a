"use strict";
(function () {
  const drop = document.getElementById("drop");
  const input = drop.querySelector("input[type=file]");
  for (const name of ["dragenter", "dragover"]) {
    drop.addEventListener(name, (event) => { event.preventDefault(); drop.classList.add("over"); });
  }
  for (const name of ["dragleave", "drop"]) {
    drop.addEventListener(name, () => drop.classList.remove("over"));
  }
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    input.files = event.dataTransfer.files;
  });

  const run = document.getElementById("run");
  if (run.dataset.state !== "running") return;
  const doing = document.getElementById("doing");
  const bar = run.querySelector("progress");
  async function ask() {
    try {
      const answer = await fetch(run.dataset.progress);
      if (!answer.ok) throw new Error(answer.statusText);
      const job = await answer.json();
      if (job.state !== "running") { location.reload(); return; }
      if (doing.textContent !== job.doing) doing.textContent = job.doing;
      bar.value = job.share;
    } catch {
      doing.textContent = "The page's server does not answer. It may have been stopped in its terminal.";
    }
    setTimeout(ask, 1000);
  }
  setTimeout(ask, 1000);
})();
