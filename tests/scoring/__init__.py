"""Photos with known truth, and what a result scores on them.

Cases (``tests.scoring.cases``)::

    CASES: tuple[Case, ...]                  # 18: pages, papers, pencils, lights, desks, scans
    case(name) -> Case
    shoot(case) -> tuple[Page, Shot]         # drawn and photographed, or read from the cache in
                                             # the temporary folder (inkclean-shots/)
    photo(shot, name="") -> Photo            # the pixels as the reader would hand them over

``Page`` (``inkclean.demo.page``) has ``ink`` (H, W) float32 coverage at 600 dpi, ``pencil``
pigment coverage at half of that, ``hatching`` (N, 4) mm, ``hatching_width``, ``dots`` (N, 3) mm,
``blacks`` polygons. ``Shot`` (``inkclean.demo.camera``) has ``pixels`` (H, W, 3) uint8 sRGB,
``jpeg`` bytes, ``corners_px`` (4, 2), ``to_photo(mm)``, ``to_page(px)``, ``dust`` (N, 3) mm.

Alignment (``tests.scoring.align``), no estimation: the caller's mapping from its sheet to the
photo is composed with the camera's inverse::

    align(page, shot, sheet_to_photo, width_mm, height_mm, px_per_mm=600 dpi) -> Aligned
        sheet_to_photo: (N, 2) mm on the caller's sheet -> (N, 2) continuous photo px
        Aligned.ink, .pencil (H, W) float32 truth on the caller's grid;
        Aligned.to_sheet(page_mm) -> mm on the caller's sheet

Scores (``tests.scoring.measures`` for arrays, ``tests.scoring.score`` for whole results)::

    score_ink(result, page, shot, aligned) -> dict[str, float]   # result (H, W) bool, 600 dpi
    score_frame(shot, frame) -> float                            # Jaccard in page space
    score_cleaned(page, shot, cleaned) -> dict[str, float]       # all, from page.Page

``python -m tests.scoring [NAME…]`` cleans the cases and prints a table. A caller without the
whole pipeline may frame by the truth: ``true_frame(page, shot) -> Frame`` (straight edges, or
followed ones where the sheet is bowed).
"""
