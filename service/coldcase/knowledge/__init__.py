"""The starter rule table as reviewed text, one file a station, and the demo cases. Data only.

The starter answers `coldcase classify` and becomes version 1 of an empty record; a record that has a table
keeps it.
"""
