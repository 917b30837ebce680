"""Every check of a batch, in the order in which a colleague would speak of them.

A check takes a :class:`CheckedBatch` and returns findings; it never raises and changes nothing. To add one:
write the function beside its like and name it here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from passage_cv.intake.batch import CheckedBatch
from passage_cv.intake.box_checks import check_boxes
from passage_cv.intake.clock_checks import check_clocks, check_event_days
from passage_cv.intake.dispute_checks import check_disputed_species
from passage_cv.intake.event_checks import (
    check_event_dates,
    check_event_facts,
    check_event_window,
    check_permit,
    check_picture_times,
)
from passage_cv.intake.kind_checks import check_fork_lengths, check_outliers, check_small_beside_large
from passage_cv.intake.layout_checks import (
    check_date_order,
    check_decimal_signs,
    check_dittos,
    check_headings,
    check_layout,
    check_other_sheets,
)
from passage_cv.intake.line_checks import (
    check_arrivals,
    check_cells,
    check_columns,
    check_facts,
    check_identity,
    check_names,
    check_species_of_individual,
    check_widths,
)
from passage_cv.intake.look_checks import check_exposure, check_near_duplicates, check_sharpness
from passage_cv.intake.mark_checks import check_marks, check_measured_twice, check_sightings, check_tags
from passage_cv.intake.measure_checks import (
    check_largest,
    check_length_types,
    check_ranges,
    check_weights,
    check_zero_water,
)
from passage_cv.intake.order_checks import check_picture_order
from passage_cv.intake.permits import check_permits
from passage_cv.intake.picture_checks import (
    check_excluded,
    check_lines_without_picture,
    check_named_twice,
    check_picture_files,
    check_readable,
    check_same_bytes,
    check_stray_pictures,
)
from passage_cv.intake.picture_names import check_missing_pictures
from passage_cv.intake.scale_checks import check_scale
from passage_cv.intake.setups import check_setups
from passage_cv.intake.target_checks import check_targets
from passage_cv.intake.times_of_day import check_times_of_day
from passage_cv.intake.view_checks import check_riders, check_views
from passage_cv.records import Finding

Check = Callable[[CheckedBatch], list[Finding]]

CHECKS: Sequence[Check] = (
    check_columns,
    check_headings,
    check_layout,
    check_other_sheets,
    check_facts,
    check_widths,
    check_dittos,
    check_decimal_signs,
    check_date_order,
    check_cells,
    check_names,
    check_disputed_species,
    check_arrivals,
    check_identity,
    check_species_of_individual,
    check_readable,
    check_missing_pictures,
    check_lines_without_picture,
    check_stray_pictures,
    check_named_twice,
    check_same_bytes,
    check_excluded,
    check_picture_files,
    check_setups,
    check_targets,
    check_permit,
    check_permits,
    check_event_facts,
    check_event_dates,
    check_picture_times,
    check_times_of_day,
    check_event_window,
    check_clocks,
    check_event_days,
    check_ranges,
    check_zero_water,
    check_length_types,
    check_weights,
    check_outliers,
    check_fork_lengths,
    check_small_beside_large,
    check_largest,
    check_marks,
    check_tags,
    check_sightings,
    check_measured_twice,
    check_picture_order,
    check_exposure,
    check_sharpness,
    check_near_duplicates,
    check_boxes,
    check_views,
    check_riders,
    check_scale,
)
