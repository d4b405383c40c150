"""A service that is started often and fast: the knowledge base is loaded once, each service is a fork.

Reads an address of a database and a port a line from standard input, forks a service of them, and prints
its process id.
"""

from __future__ import annotations

import os
import sys

import uvicorn

from api.app import create_app
from api.settings import Settings
from engine.knowledge import load
from engine.listening.hearing import Listener
from engine.triage import Triage


def main() -> None:
    triage = Triage(load(chainer="compiled"))
    listener = Listener(triage.knowledge.source)
    # Building the first application of a process is what takes long; a fork inherits it done.
    create_app(Settings(), triage, listener)
    print("ready", flush=True)
    for line in sys.stdin:
        address, port = line.split()
        child = os.fork()
        if child == 0:
            os.dup2(os.open(os.devnull, os.O_RDWR), 0)
            app = create_app(Settings(database=address), triage, listener)
            uvicorn.run(app, host="127.0.0.1", port=int(port), log_config=None)
            os._exit(0)
        print(child, flush=True)
        os.waitpid(child, 0)
        print("ended", flush=True)


if __name__ == "__main__":
    main()
