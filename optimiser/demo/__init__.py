"""An invented plant: a history of any length whose truth is known.

Read downwards, each file knowing only those above it:

=================  ===============================================================
`measurements`     what is measured, the kinds of defect and what they do to it
`families`         the table of families
`streams`          the numbers that keep the streams of random numbers apart
`process`          how one family's values come into being
`places`           the places on the boards, what each adds of its own
`limits`           the live recipe's rows and what they mean at each place
`lots`             which line builds what when
`plan`             all that is fixed before the first item is drawn
`effects`          what a lot does to its items
`items`            the items of a day
`labels`           what becomes known of them
`files`            the texts of plant.toml, recipe.csv and must_catch.csv
`parquet`          a day's history and truth on disk
`write`            `write_demo`, all of the above in order
`truth`            `demo_truth`, large fresh samples to hold promises against
=================  ===============================================================

A board holds every place of its product, a lot is one run of one product on one line, and a
day is drawn by itself from its own stream of random numbers: memory stays that of one day,
and a day's content does not depend on the order in which days are drawn.

It knows nothing of tallies, searches or proposals.
"""
