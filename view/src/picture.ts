// The view as a PNG: the picture and the lines over it, on the sheet's colour.
export async function pictureOf(canvas: HTMLCanvasElement, over: SVGElement, host: Element, draw: () => void): Promise<void> {
  draw();
  const flat = document.createElement("canvas");
  [flat.width, flat.height] = [canvas.width, canvas.height];
  const pen = flat.getContext("2d");
  if (!pen) return;
  const style = getComputedStyle(host);
  pen.fillStyle = style.getPropertyValue("--sheet").trim() || "#F9FAF9";
  pen.fillRect(0, 0, flat.width, flat.height);
  pen.drawImage(canvas, 0, 0);
  pen.drawImage(await asImage(over, style, flat.width, flat.height), 0, 0, flat.width, flat.height);
  const link = document.createElement("a");
  link.download = "piece.png";
  link.href = flat.toDataURL("image/png");
  link.click();
}

async function asImage(over: SVGElement, style: CSSStyleDeclaration, width: number, height: number): Promise<HTMLImageElement> {
  const copy = over.cloneNode(true) as SVGElement;
  copy.setAttribute("width", String(width));
  copy.setAttribute("height", String(height));
  copy.setAttribute("font-family", "Barlow Semi Condensed, Arial Narrow, sans-serif");
  const text = new XMLSerializer().serializeToString(copy).replace(/var\(--([a-z0-9]+)\)/g, (whole, name: string) => style.getPropertyValue(`--${name}`).trim() || whole);
  const image = new Image();
  image.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(text)}`;
  await image.decode();
  return image;
}
