// The page's own colours: the custom properties of reports/tokens.py, read from where the view stands.
export type Rgb = [number, number, number];

export interface Colours {
  readonly matt: Rgb;
  readonly ink: Rgb;
  readonly rule: Rgb;
  readonly sheet: Rgb;
  /** Material left 1 to 3, cut too far 1 to 3. */
  readonly steps: readonly Rgb[];
  readonly dark: boolean;
}

const FALLBACK: Readonly<Record<string, string>> = {
  ink: "#17201E", rule: "#AEBAB6", sheet: "#F9FAF9", l1: "#9BCAF2", l2: "#61A4E2", l3: "#327AC4", o1: "#EDB88B", o2: "#D8894A", o3: "#B25D23",
};
const MATT_LIGHT: Rgb = [0xec / 255, 0xec / 255, 0xe7 / 255];
const MATT_DARK: Rgb = [0x6b / 255, 0x70 / 255, 0x70 / 255];

export function coloursOf(element: Element): Colours {
  const style = getComputedStyle(element);
  const token = (name: string): Rgb => hex(style.getPropertyValue(`--${name}`)) ?? hex(FALLBACK[name] ?? "") ?? [0, 0, 0];
  const sheet = token("sheet");
  const dark = 0.2126 * sheet[0] + 0.7152 * sheet[1] + 0.0722 * sheet[2] < 0.4;
  return {
    matt: dark ? MATT_DARK : MATT_LIGHT,
    ink: token("ink"),
    rule: token("rule"),
    sheet,
    steps: ["l1", "l2", "l3", "o1", "o2", "o3"].map(token),
    dark,
  };
}

function hex(text: string): Rgb | null {
  const found = /^\s*#([0-9a-f]{6})\s*$/i.exec(text)?.[1];
  if (!found) return null;
  const value = parseInt(found, 16);
  return [(value >> 16) / 255, ((value >> 8) & 255) / 255, (value & 255) / 255];
}
