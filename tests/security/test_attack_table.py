"""What was tried against the program, and below each attack the test that proves it harmless.

Paths
-----
absolute path, `..`, drive letter, backslash in a study
    study/test_hostile.py::test_paths_that_leave_the_folder
symbolic link out of the study folder, link in a circle, named pipe
    study/test_hostile.py::test_paths_that_leave_the_folder
the study file itself a link to a secret
    study/test_hostile.py::test_a_study_file_that_is_a_link_out
curves named outside the folder
    study/test_recordings.py::test_what_is_wrong_with_settings
workbook member with `..` or an absolute name, member that is a link
    study/test_workbooks.py::test_workbooks_made_to_harm
formula of a workbook that points to another file
    study/test_workbooks.py::test_links_to_other_workbooks_are_not_followed
attachments of a dossier with hostile names
    integrity/test_verify.py::test_nothing_is_written_outside_the_folder_for_unpacking
Expansion
---------
nested lists, endless lists, alias bombs, long keys and texts in YAML
    study/test_hostile.py::test_nesting_aliases_and_sizes
YAML tags that make objects
    study/test_strictness.py::test_broken_yaml
zip bomb, many members, many cells, a cell far away in a workbook
    study/test_workbooks.py::test_workbooks_made_to_harm
XML entities, external entities, entities in UTF-16
    study/test_workbooks.py::test_workbooks_made_to_harm
huge fields, lines, columns, files of CSV
    study/test_hostile.py::test_tables_of_any_size
many rows, many cells, many rows that need a closer look
    study/test_hostile.py::test_what_takes_room_is_counted
a million rows
    study/test_plain_rows.py::test_a_million_rows_within_a_gigabyte
more runs than can be evaluated or printed
    security/test_faults.py::test_more_runs_than_can_be_worked_on
a file that grows while it is read
    security/test_faults.py::test_a_file_that_grows_while_it_is_read
a dossier whose attachments swell, or whose names never end
    integrity/test_verify.py::test_an_attachment_that_swells_is_refused
a text made to keep a parser of units busy
    study/test_conversion.py::test_what_cannot_be_converted
Text of a study in what is printed
----------------------------------
`<img src=…>`, scripts, event handlers, `file:` in any text
    security/test_hostile_text.py::test_pages_gain_no_element_and_no_address
CSS imports and `url()` in any text
    security/test_hostile_text.py::test_style_sheets_are_the_shipped_ones
SVG elements in labels of figures
    security/test_hostile_text.py::test_figures_hold_text_as_text
requests, processes, files while the PDF is made; actions in it
    security/test_hostile_text.py::test_the_pdf_asks_for_nothing
every way in which the PDF engine can be asked to fetch
    dossier/test_fetcher.py::test_nothing_outside_is_read
template syntax in any text
    security/test_hostile_text.py::test_pages_gain_no_element_and_no_address
commands of LaTeX
    security/test_hostile_text.py::test_latex_holds_no_command_of_the_study
links, pictures and HTML in Markdown
    security/test_hostile_text.py::test_markdown_holds_no_markup_of_the_study
fields, relations and entities in DOCX
    security/test_hostile_text.py::test_word_file_is_well_formed_and_asks_for_nothing
sequences that steer a terminal
    study/test_hostile.py::test_signs_that_steer_a_terminal
Formulas in spreadsheets that are written
-----------------------------------------
summary of many studies
    security/test_hostile_text.py::test_spreadsheets_compute_nothing_of_the_study
data-entry tables
    study/test_entry_tables.py::test_what_is_entered_is_what_is_read
guarded texts, and reading them back
    study/test_entry_tables.py::test_the_guard_of_text_files
Templates of a laboratory
-------------------------
attributes of objects, includes, loops and strings without end
    dossier/test_laboratory.py::test_what_is_refused
requests from a template
    dossier/test_laboratory.py::test_a_block_fetches_nothing
Faults
------
disk full, file too large
    security/test_faults.py::test_a_disk_that_takes_no_more
disk full in the middle of a starter study
    end_to_end/test_starters.py::test_a_starter_that_cannot_be_written_leaves_nothing
killed in the middle of writing
    security/test_faults.py::test_killed_in_the_middle_of_writing
interrupted from the keyboard
    security/test_faults.py::test_interrupted_from_the_keyboard
folder that may not be written, missing folder, folder instead of a file
    end_to_end/test_writing.py::test_a_folder_that_may_not_be_written
Anything
--------
studies with parts, letters, bytes, cells changed at random
    study/test_fuzz.py::test_a_study_with_parts_changed
"""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

TESTS = Path(__file__).parents[1]
ROWS = re.findall(r"^(\S.*)\n    (\S+)::(\w+)$", __doc__, re.MULTILINE)


def test_every_attack_has_its_proof():
    """No line of the table stands alone: an attack is followed by a test, or it is the heading of others."""
    lines = __doc__.strip().splitlines()[2:]
    headings = [name for name, rule in pairwise(lines) if set(rule) == {"-"}]
    assert len(headings) == 7
    assert len(lines) == 2 * len(headings) + 2 * len(ROWS)


def test_every_proof_exists():
    """A proof that was renamed or removed leaves no attack behind that only seems to be tested."""
    missing = [
        attack
        for attack, file, name in ROWS
        if f"\ndef {name}(" not in (TESTS / file).read_text(encoding="utf-8")
    ]

    assert missing == []
