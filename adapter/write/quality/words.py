"""What the quality report says of itself and of each check."""

FRAMEWORK = (
    "Kahn et al., A Harmonized Data Quality Assessment Terminology and Framework for the Secondary Use of Electronic "
    "Health Record Data, eGEMs 2016;4(1):1244"
)
MEANS = {
    "completeness": "Not examined was said, with a reason; not recorded is a gap: the kind of exam expects it and "
    "nobody said anything. Neither is ever a normal finding. Much of either may mean a form that asks too much, a "
    "ward at its limit, or a device that is missing.",
    "digits": "Last digits that are not about equally frequent may mean rounding, a coarse scale or thermometer, a "
    "count over a part of a minute, or a step of the form. It says nothing of a single number.",
    "units": "A number outside what is plausible that would be plausible in another unit, or with the point "
    "elsewhere, may be a slip in the unit; it may also be true.",
    "changes": "More change between two exams of a newborn than is plausible may mean another scale, another way to "
    "measure, a slip, or another newborn's number; it may also be true.",
    "duplicates": "Two exams of one kind and newborn at nearly one time may be one exam that was entered twice.",
    "drift": "A month whose mean lies apart may mean another scale, thermometer or way of counting, another kind of "
    "exam, or other newborns. Where dates were moved or withheld, months say nothing and none is looked at.",
    "comparison": "A share that changed may mean another form, another practice, or other newborns; where the item "
    "itself changed between the catalogues, both are told together, and are not the same question any more.",
    "timing": "A finding made long before or after its exam began may have been taken over, entered later than it "
    "was made, or timed by a clock that was wrong. When a record was typed, no record says.",
}
"""What each check would mean."""
CAUTION = (
    "This report is about data, not about people: nothing in it is a judgement on an examiner, and it must not be "
    "used as one. A number that is told may be right."
)
