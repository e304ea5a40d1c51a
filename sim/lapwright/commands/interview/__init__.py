"""A few questions at the bench, and the study that their answers make.

`talk` asks, `questions` knows what and why, `typed` and `answers` understand what is typed, `compose`
writes the study.  Nothing here prints or reads by itself: the command hands in how to ask and how to say.
"""
