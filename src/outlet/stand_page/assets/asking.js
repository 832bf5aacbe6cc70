// How greyhold is asked for something, on every page.

/** A request that bears something, as only a page of its own can send it. `patience` is in milliseconds. */
export const json = (what, patience = 5000) => ({ method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(what), signal: AbortSignal.timeout(patience) });

/** A button whose deed can't be undone: it asks once more before it does it. */
export function twice(button, deed) {
  const words = button.textContent;
  let waiting = 0;
  const rest = () => { clearTimeout(waiting); waiting = 0; button.textContent = words; };
  button.addEventListener("blur", rest);
  button.addEventListener("click", () => {
    if (waiting) { rest(); deed(); return; }
    button.textContent = "Sure? Press again";
    waiting = setTimeout(rest, 5000);
  });
}
