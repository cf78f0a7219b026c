"""Elements of SVG as text: attributes in the order of their names, nothing else between them.

A library of such elements takes longer to load than all else of a page's file to be written.
"""

from __future__ import annotations

_SPACES = 'xmlns="http://www.w3.org/2000/svg" xmlns:ev="http://www.w3.org/2001/xml-events" '
_SPACES += 'xmlns:xlink="http://www.w3.org/1999/xlink"'


def escaped(text: str) -> str:
    """Return ``text`` as it stands between tags, and between quotation marks."""
    for sign, name in (("&", "amp"), ("<", "lt"), (">", "gt"), ('"', "quot")):
        text = text.replace(sign, f"&{name};")
    return text


def element(name: str, inside: str = "", **attributes: str) -> str:
    """Return an element; ``inside`` stands as it is, ``_`` in an attribute's name is a hyphen.

    Attributes without a value are left out.
    """
    given = {key.replace("_", "-"): value for key, value in attributes.items() if value}
    start = " ".join([f"<{name}", *(f'{key}="{escaped(given[key])}"' for key in sorted(given))])
    return f"{start}>{inside}</{name}>" if inside else f"{start} />"


def described(title: str, description: str = "") -> str:
    """Return what names an element, and says what it is."""
    told = f"<desc>{_text(description)}</desc>" if description else ""
    return f"<title>{_text(title)}</title>{told}"


def _text(text: str) -> str:
    return escaped(text).replace("&quot;", '"')


def document(size: tuple[float, float], units: int, about: str, elements: str) -> str:
    """Return an SVG of ``size`` mm, with so many user ``units`` a mm, of ``elements`` in order.

    ``about`` comes first: what ``described`` returns, or nothing.
    """
    width, height = (f"{side:.6g}" for side in size)
    box = " ".join(f"{round(side * units)}" for side in size) if units > 1 else f"{width} {height}"
    start = f'<svg baseProfile="full" height="{height}mm" version="1.1" viewBox="0 0 {box}" '
    start += f'width="{width}mm" {_SPACES}>'
    head = '<?xml version="1.0" encoding="utf-8" ?>\n'
    return f"{head}{start}{about}<defs />{elements}</svg>"
