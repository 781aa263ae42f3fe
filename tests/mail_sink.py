"""An SMTP server on loopback that takes every mail and keeps none, in a process of its own: it counts, no more.

Three mails of a small site cost it 3 ms, a share of its start included (100 sites), where the server of the other tests
took 9: a measurement of many mails is not to be one of the server.
"""

from __future__ import annotations

import asyncio
import re
import sys

LONGEST_MAIL = 64 * 1024 * 1024
ANSWERS = {
    b"EHLO": b"250 sink\r\n",
    b"HELO": b"250 sink\r\n",
    b"MAIL": b"250 2.1.0 ok\r\n",
    b"RCPT": b"250 2.1.5 ok\r\n",
    b"RSET": b"250 2.0.0 ok\r\n",
    b"NOOP": b"250 2.0.0 ok\r\n",
}


class Counted:
    """How many mails came, and to how many people."""

    def __init__(self) -> None:
        self.n_mails = 0
        self.people: set[bytes] = set()

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer one connection until it ends."""
        writer.write(b"220 sink\r\n")
        while line := await reader.readline():
            word = line[:4].upper()
            if word == b"DATA":
                writer.write(b"354 go on\r\n")
                await reader.readuntil(b"\r\n.\r\n")
                self.n_mails += 1
                writer.write(b"250 2.0.0 taken\r\n")
            elif word == b"QUIT":
                writer.write(b"221 2.0.0 bye\r\n")
                break
            else:
                if word == b"RCPT" and (found := re.search(rb"<(.*)>", line)):
                    self.people.add(found[1])
                writer.write(ANSWERS.get(word, b"502 5.5.1 not known here\r\n"))
        writer.close()


async def main() -> None:
    """Tell the port, count until a line comes on stdin, and tell what came."""
    counted = Counted()
    server = await asyncio.start_server(counted.talk, "127.0.0.1", 0, limit=LONGEST_MAIL)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.to_thread(sys.stdin.readline)
    print(counted.n_mails, len(counted.people), flush=True)


if __name__ == "__main__":
    asyncio.run(main())
