"""What a reader has answered in this session, so that running all cells again does not ask anew.

An answer belongs to a question as it was asked: with another rig, whose right answer differs, the question is a new
one.
"""

_answers = {}


def _key(name, asked, right):
    return name, asked, str(right)


def recall(name, asked, right):
    """The answer given to this question, or None."""
    return _answers.get(_key(name, asked, right))


def keep(name, asked, right, answer):
    """Remember an answer for the rest of the session."""
    _answers[_key(name, asked, right)] = answer


def forget():
    """Forget all answers."""
    _answers.clear()
