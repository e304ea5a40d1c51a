"""Sentences, pages, cards and pictures, from results only.

Read `words` and `page`; matplotlib enters in `pictures` only, jinja2 in `filling`, and what pages say
stands in one folder of templates.
"""

from lapwright.face import face

__getattr__, __dir__ = face(__name__, __file__)
