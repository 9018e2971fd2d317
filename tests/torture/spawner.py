"""Starts the command line in forks of one warm process: a program that can be killed, cheaply.

A line of JSON, [arguments, file for its words], starts one; its process number is printed, and its
exit status when it has ended.
"""

import json
import os
import sys

import controller.cli.verb_check
import controller.cli.verb_sweep
import controller.links.serial
import controller.planning.resolve
import controller.session.jobs
import controller.session.prepared  # noqa: F401
from controller.cli.main import main

for line in sys.stdin:
    words, told = json.loads(line)
    child = os.fork()
    if child == 0:
        to = os.open(told, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        nothing = os.open(os.devnull, os.O_RDONLY)
        for number in (1, 2):
            os.dup2(to, number)
        os.dup2(nothing, 0)
        status = 99
        try:
            status = main(words)
        finally:
            os._exit(status)
    print(child, flush=True)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
