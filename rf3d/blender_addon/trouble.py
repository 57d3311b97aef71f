# SPDX-License-Identifier: GPL-3.0-or-later
"""What can go wrong, as the person is told."""


class Trouble(Exception):
    """Something the person can cure: what is wrong, what to do, and the objects it is about."""

    def __init__(self, message, cure="", objects=()):
        super().__init__(message)
        self.message, self.cure, self.objects = message, cure, list(objects)


class Stopped(Trouble):
    """The person ended the work."""

    def __init__(self):
        super().__init__("Stopped. Nothing in the scene was changed.")
