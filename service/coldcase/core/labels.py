"""What a label may hold: what can be seen on paper, on one line.

Refused are control characters, line and paragraph separators, what turns the direction of text or takes no
room, private use and what is no character. The two joiners (U+200C, U+200D) stay, for some scripts cannot be
written without them.
"""

UNSEEN = (
    "\\x00-\\x1f\\x7f-\\x9f\\u00ad\\u0600-\\u0605\\u061c\\u06dd\\u070f\\u0890\\u0891\\u08e2\\u180e\\u200b\\u200e\\u200f\\u2028-\\u202e\\u2060-\\u206f"
    "\\ud800-\\uf8ff\\ufdd0-\\ufdef\\ufeff\\ufff0-\\ufffb\\ufffe\\uffff"
    "\U000110bd\U000110cd\U00013430-\U0001343f\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U0001fffe\U0001ffff\U0002fffe\U0002ffff"
    "\U0003fffe-\U000e00ff\U000e01f0-\U0010ffff"
)
"""The inside of a character class of a regular expression, as Python and ECMAScript both read it."""

# The look ahead is for a label of blanks alone; `(?!\n)` because `$` also matches before a final newline.
LABEL = rf"^(?=.*\S)[^{UNSEEN}]+$(?!\n)"
LABEL_SAYS = (
    "A label is one line of characters that can be seen: no blanks alone, no control, "
    "direction or private characters, none without width."
)
