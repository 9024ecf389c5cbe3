/** Pages saved as HTML, as text: cells become tabs, other tags blanks; line ends stay, so that lines can be told. */
export function withoutTags(text: string): string {
  if (!/<\/?(?:td|p|a|li|code|br|pre|div|span)\b/i.test(text)) return text
  return text
    .replace(/<\/?(?:td|th)\b[^<>\n]{0,1000}>/gi, '\t')
    .replace(
      /<\/?(?:a|b|br|code|div|dd|dt|dl|em|h\d|hr|i|kbd|li|ol|p|pre|samp|span|strong|table|tbody|thead|tr|tt|ul)\b[^<>\n]{0,1000}>/gi,
      ' ',
    )
    .replace(/&nbsp;|&#160;/gi, ' ')
    .replace(/&amp;/gi, '&')
}
