// Numbers in the language of the page. Thousands are set apart by a narrow space wherever the decimal sign is a comma:
// a point there would be a decimal point to others.
export function level(value, digits, language) {
  const parts = new Intl.NumberFormat(language, { minimumFractionDigits: digits, maximumFractionDigits: digits }).formatToParts(value);
  const comma = parts.some((part) => part.type === "group" && part.value === ".");
  return parts.map((part) => part.type === "group" && comma ? "\u202f" : part.value).join("");
}
