"""What is wrong with a command line, in our words: one sentence, and what to write instead.

Knows: the sentences argparse has for arguments that do not fit (CPython 3.11 to 3.14).
Must not know: what verbs do. Loaded only when a command line does not fit.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Mapping, Sequence

__all__ = ["explained"]

_NOT_OF_A_KIND = {"int": "a whole number", "float": "a number"}


def explained(
    message: str,
    words: Sequence[str],
    *,
    verbs: Collection[str],
    groups: Collection[str],
    options: Collection[str],
    examples: Mapping[str, Sequence[str]],
) -> tuple[str, str]:
    """Return what is wrong, and what was probably meant or where to look.

    `message` is argparse's; `words` what was typed, the verb first; `options` those of the verb.
    """
    verb = _verb(words, verbs)
    if not verb and (about := _without_verb(message, words, verbs, groups)) is not None:
        return about
    where = f"rungwise help {verb}" if verb else "rungwise --help"
    lists = f"{where} lists what there is"
    option, _, text = message.partition(": ") if message.startswith("argument ") else ("", "", "")
    name = option.removeprefix("argument ")
    if (found := re.match(r"(?s)invalid choice: '(.*?)' \(choose from (.*)\)", text)) is not None:
        choices = [one or other for one, other in re.findall(r"'([^']*)'|([\w-]+)", found[2])]
        known = ", ".join(choices)
        return f"{name}: {found[1]!r} is not one of {known}", _meant(found[1], choices) or lists
    if (found := re.match(r"(?s)invalid (\w+) value: '(.*)'$", text)) is not None:
        kind = _NOT_OF_A_KIND.get(found[1], "a value that fits")
        return f"{name}: {found[2]!r} is not {kind}", f"{where} says what it is for"
    if re.match(r"expected (one|at least one|\d+) argument", text):
        return f"{name}: its value is missing", f"{where} shows what follows it"
    if (found := re.match(r"not allowed with argument (.+)$", text)) is not None:
        return f"{name} cannot be given together with {found[1]}", "leave one of the two out"
    if text.startswith("ignored explicit argument"):
        return f"{name}: takes no value", f"write {name.split('/')[-1]} by itself"
    if (found := re.match(r"the following arguments are required: (.+)$", message)) is not None:
        missing = " and ".join(found[1].rsplit(", ", 1))
        are = "are" if " and " in missing else "is"
        return f"{missing} {are} missing", _example(verb, examples) or lists
    if (found := re.match(r"one of the arguments (.+) is required$", message)) is not None:
        either = " or ".join(found[1].split())
        return f"needs {either}", _example(verb, examples) or lists
    if (found := re.match(r"ambiguous option: (\S+) could match (.+)$", message)) is not None:
        return f"{found[1].split('=')[0]} may stand for {found[2]}", "write the option in full"
    if (found := re.match(r"(?s)unrecognized arguments: (.+)$", message)) is not None:
        return _too_much(found[1], options, lists)
    return message, lists


def _verb(words: Sequence[str], verbs: Collection[str]) -> str:
    for count in (2, 1):
        if (verb := " ".join(words[:count])) in verbs:
            return verb
    return ""


def _without_verb(
    message: str, words: Sequence[str], verbs: Collection[str], groups: Collection[str]
) -> tuple[str, str] | None:
    """Say what is wrong where no verb has been understood."""
    if words and words[0].startswith("-") and "required: VERB" in message:
        version = words[0] in ("-v", "-V")
        return f"there is no option {words[0]} without a verb", (
            "did you mean --version?" if version else "rungwise --help lists options and verbs"
        )
    group = words[0] if words and words[0] in groups else ""
    help_of = f"rungwise {group} --help" if group else "rungwise --help"
    choices = [one.removeprefix(f"{group} ") for one in verbs if one.startswith(f"{group} ")]
    if "required: VERB" in message:
        return f"{group} is the first word of several verbs: {', '.join(choices)}", (
            f"{help_of} says what they do"
        )
    wrong = re.search(r"(?s)invalid choice: '(.*?)' \(", message)
    if wrong is None or not message.startswith("argument VERB"):
        return None
    said = f"there is no verb {f'{group} {wrong[1]}'.strip()!r}"
    if not group:
        choices = sorted({one.split()[0] for one in verbs})
        said += ", and no folder of that name here"
    return said, _meant(wrong[1], choices) or f"{help_of} lists the verbs"


def _too_much(extra: str, options: Collection[str], lists: str) -> tuple[str, str]:
    first = extra.split()[0] if extra.split() else extra
    if not first.startswith("-"):
        return f"{extra!r} is more than this verb takes", lists
    option = first.split("=")[0]
    if option == "--json":
        return "there is no --json here", "what this verb shows is no document"
    return f"there is no option {option} here", _meant(option, sorted(options)) or lists


def _meant(wrong: str, known: Sequence[str]) -> str | None:
    near = difflib.get_close_matches(wrong, known, n=1)
    return f"did you mean {near[0]}?" if near else None


def _example(verb: str, examples: Mapping[str, Sequence[str]]) -> str | None:
    return f"for example: {examples[verb][0]}" if verb in examples else None
