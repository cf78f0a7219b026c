"""PDF/X-1a:2003: what the file must declare, and what stands in its way.

ISO 15930-4 as restated in the CGATS Application Notes: CMYK and spot inks only, PDF 1.4, no
transparency, an output intent, the Trapped key, a file ID, no encryption (keys and their
values).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from inkclean.base.errors import UsageError
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.press.colour import PrintProfile

if TYPE_CHECKING:
    import pikepdf

VERSION = "PDF/X-1a:2003"
_REGISTRY = "http://www.color.org"


def what_stops(
    colour: UnderColour | None, intent: str | None, profile: PrintProfile | None
) -> list[str]:
    """Return what keeps the page from being PDF/X-1a, each with its cure; empty if nothing."""
    stops = []
    if colour is not None and not colour.cmyk:
        stops.append("the colour is RGB (give the printer's --profile, or a CMYK picture)")
    if intent is None and profile is None:
        stops.append(
            "the printing condition is missing (give --intent with the registered name from your "
            "printer, or --profile)"
        )
    if profile is not None and icc_version(profile) >= 4:
        stops.append("the profile is of ICC version 4 (PDF 1.4 knows version 2: ask for that one)")
    return stops


def check_possible(
    colour: UnderColour | None, intent: str | None, profile: PrintProfile | None
) -> None:
    """Refuse what cannot be PDF/X-1a.

    Raises:
        UsageError: something stops it; all of it is said.
    """
    stops = what_stops(colour, intent, profile)
    if stops:
        raise UsageError(f"{VERSION} cannot be written: {'; '.join(stops)}")


def icc_version(profile: PrintProfile) -> int:
    """Return the major version that an ICC file states in its ninth byte."""
    return profile.data[8]


def declare(
    document: pikepdf.Pdf,
    intent: str | None,
    profile: PrintProfile | None,
    trapped: bool = False,
) -> None:
    """Add the keys of the standard; ``check_possible`` comes first.

    ``trapped`` tells that colours run on under their neighbours already.

    With a registered name the intent refers to the registry of characterisations; a profile
    is embedded, so that the file says by itself which inks it was made for.
    """
    import pikepdf

    name = intent or (profile.name if profile else "")
    entry = pikepdf.Dictionary(
        Type=pikepdf.Name.OutputIntent,
        S=pikepdf.Name.GTS_PDFX,
        OutputConditionIdentifier=pikepdf.String(name),
        Info=pikepdf.String(profile.name if profile else name),
    )
    if intent is not None:
        entry.RegistryName = pikepdf.String(_REGISTRY)
    if profile is not None:
        entry.DestOutputProfile = document.make_stream(
            profile.data, N=4, Alternate=pikepdf.Name.DeviceCMYK
        )
    document.Root.OutputIntents = pikepdf.Array([document.make_indirect(entry)])
    document.docinfo["/GTS_PDFXVersion"] = pikepdf.String(VERSION)
    document.docinfo["/Trapped"] = pikepdf.Name("/True" if trapped else "/False")
