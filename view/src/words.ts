// Words of the view. The page may hand in translations; what is missing stays English.
import english from "./words.json";

export type Word = keyof typeof english;
export type Say = (word: Word, put?: Readonly<Record<string, string>>) => string;

export function sayer(translated: string | null): Say {
  const given = parsed(translated);
  return (word, put = {}) => {
    const found = given[word] ?? english[word];
    return found.replace(/\{(\w+)\}/g, (whole, name: string) => put[name] ?? whole);
  };
}

function parsed(text: string | null): Partial<Record<string, string>> {
  if (!text) return {};
  try {
    const value: unknown = JSON.parse(text);
    return typeof value === "object" && value !== null ? (value as Record<string, string>) : {};
  } catch {
    return {};
  }
}
