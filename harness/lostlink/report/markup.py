"""HTML that its contents cannot break: text is escaped unless it is `Html` already.

Names of profiles, receivers and tests come from untrusted files. Wrap only trusted strings in `Html`.
"""

from __future__ import annotations

import html
import json
from collections.abc import Iterable
from typing import Any, Final

_VOID: Final = frozenset({"meta", "br", "hr", "input", "col", "path", "line", "rect"})


class Html(str):
    """Text that is HTML."""

    __slots__ = ()


def escape(text: str) -> Html:
    """Return plain text as HTML, for elements and quoted attributes.

    Characters that HTML does not allow (most controls), and halves of surrogate pairs, become U+FFFD.
    """
    allowed = "".join(c if c in "\t\n\r" or (c >= " " and not "\x7f" <= c <= "\x9f") else "\ufffd" for c in text)
    return Html(html.escape(allowed.encode("utf-8", "replace").decode("utf-8"), quote=True))


def join(parts: Iterable[str | None], between: str = "") -> Html:
    """Return parts joined; None is left out."""
    done = [part if isinstance(part, Html) else escape(part) for part in parts if part is not None]
    return Html((between if isinstance(between, Html) else escape(between)).join(done))


def tag(name: str, /, *children: str | None, **attributes: str | int | bool | None) -> Html:
    """Return an element.

    Parameters
    ----------
    children : str
        Text, escaped unless it is `Html`; None is left out.
    attributes : str, int, bool or None
        ``class_`` is ``class``, ``aria_label`` is ``aria-label``. True gives an attribute without a value, None and
        False give none.

    Examples
    --------
    >>> tag("p", "1 < 2", class_="sum")
    '<p class="sum">1 &lt; 2</p>'
    """
    parts = [name]
    for key, value in attributes.items():
        key = key.rstrip("_").replace("_", "-")
        if value is True:
            parts.append(key)
        elif value is not None and value is not False:
            parts.append(f'{key}="{escape(str(value))}"')
    opened = f"<{' '.join(parts)}>"
    return Html(opened) if name in _VOID else Html(f"{opened}{join(children)}</{name}>")


def data_block(name: str, data: Any) -> Html:
    """Return JSON that scripts of the page find by `name`.

    ``<``, ``>`` and ``&`` are written as escapes of JSON, so that neither ``</script>`` nor ``<!--`` in the data
    can end the block (HTML Living Standard, 4.12.1.3).
    """
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Html(f'<script type="application/json" id="{escape(name)}">{text}</script>')
