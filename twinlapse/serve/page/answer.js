// The answer in two seconds: waiting, layer 1 is sound, look here, trouble.

// a trouble that the look at a layer tells as well
export const ofLayers = (trouble) => /^(layer|corner) /.test(trouble.code);

export function answerOf(printers) {
  if (!printers.length) return { kind: "", text: "No printer yet", more: "Put printers/NAME/rig.toml into the folder of the service and start it again." };
  const waits = printers.find((one) => one.waits);
  if (waits) return { kind: "look", text: "It waits for you", more: `${waits.name} stands still, hot: look at layer ${waits.waits.layer}, then let it go on or stop it.` };
  const printing = printers.filter((one) => one.capture);
  const looks = printing.flatMap((one) => one.capture.looks.map((look) => ({ ...look, printer: one.name })));
  const found = looks.find((look) => look.state === "found");
  if (found) return { kind: "look", text: "Look here", more: `${found.printer}, layer ${found.layer}: ${found.words}` };
  for (const one of printers) {
    const words = one.trouble || one.capture?.troubles.find((trouble) => !ofLayers(trouble))?.text;
    if (words) return { kind: "trouble", text: "Trouble", more: `${one.name}: ${words}` };
  }
  if (!printing.length) {
    const silent = printers.flatMap((one) => Object.entries(one.channels).filter(([, fault]) => fault).map(([name, fault]) => `${one.name}, ${name}: ${fault}`));
    if (silent.length) return { kind: "trouble", text: "A printer cannot be heard", more: silent[0] };
    return { kind: "", text: "Waiting", more: "No print is going on." };
  }
  const unclear = looks.find((look) => look.state === "cannot tell" || look.state === "failed");
  if (unclear) return { kind: "look", text: "Look yourself", more: `${unclear.printer}, layer ${unclear.layer}: ${unclear.words}` };
  const { capture, name } = printing[0];
  const others = printing.length > 1 ? `; ${printing.length} printers print` : "";
  const more = `${name}: shot ${capture.done} of ${capture.shots}${capture.next ? `, next at layer ${capture.next.layer}` : ""}${others}`;
  const firsts = printing.map((one) => one.capture.looks.find((look) => look.layer === 1));
  if (firsts.every((look) => look?.state === "sound")) return { kind: "sound", text: "Layer 1 is sound", more };
  return { kind: "", text: "Printing", more };
}
