"""Sentences, pages, cards and pictures, from results only.

Read `words` and `page`; matplotlib enters in `pictures` only, and templates stand in one folder.
"""
