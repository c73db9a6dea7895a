"""Many clients on one served plan. By hand, beside `noonmark serve PLAN`:

    python tests/load.py ADDRESS [CLIENTS [SECONDS [SPOTS]]]

Each asks for the card of one of the spots, drawn by its own seed, and again as soon as it is answered. With few
spots most answers lie ready; with very many each has to be worked out. It prints how many
were answered, how many with a fault, and the waits; a spot's numbers must be the same whenever it is asked about.
"""

from __future__ import annotations

import http.client
import json
import re
import sys
import threading
import time
from urllib.parse import urlsplit

import numpy as np

SPOTS = 40  # unless asked


def post(address: str, name: str, question: object) -> tuple[int, bytes]:
    """Status and body of one question, over a connection of its own, as our page asks."""
    at = urlsplit(address)
    connection = http.client.HTTPConnection(at.netloc, timeout=120)
    own = {"Origin": f"http://{at.netloc}", "Content-Type": "application/json", "Sec-Fetch-Site": "same-origin"}
    try:
        connection.request("POST", f"{at.path}{name}", json.dumps(question), own)
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def spots(address: str, count: int) -> list[dict[str, float]]:
    """Places on the map that the page opens on."""
    at = urlsplit(address)
    connection = http.client.HTTPConnection(at.netloc, timeout=120)
    connection.request("GET", at.path)
    page = connection.getresponse().read().decode()
    found = re.search(r'"bounds":\[\[([-\d.]+),([-\d.]+)\],\[([-\d.]+),([-\d.]+)\]\]', page)
    assert found, "the page has no bounds"
    south, west, north, east = map(float, found.groups())
    where = np.random.default_rng(1).uniform((west, south), (east, north), (count, 2))
    return [{"lon": float(lon), "lat": float(lat), "height_m": 6.0} for lon, lat in where]


def main(address: str, clients: int = 50, seconds: float = 60.0, count: int = SPOTS) -> int:
    asked, waits, faults, told = spots(address, count), [], [], {}
    until = time.monotonic() + seconds

    def client(seed: int) -> None:
        rng = np.random.default_rng(seed)
        while time.monotonic() < until:
            k, begin = int(rng.integers(count)), time.monotonic()
            try:
                status, body = post(address, "card", asked[k])
                numbers = json.loads(body).get("numbers") if status == 200 else None
                if status != 200 or told.setdefault(k, numbers) != numbers:
                    faults.append(f"{status} {body[:80]!r}")
            except (OSError, ValueError, http.client.HTTPException) as fault:
                faults.append(repr(fault))
            waits.append(time.monotonic() - begin)

    threads = [threading.Thread(target=client, args=(seed,)) for seed in range(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    half, most = np.percentile(waits, [50, 95])
    print(f"{clients} clients, {seconds:g} s: {len(waits)} answers, {len(faults)} faults, {len(told)} spots")
    print(f"median {half:.2f} s, p95 {most:.2f} s, {len(waits) / seconds:.1f} answers a second")
    for fault in faults[:5]:
        print(fault)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], *(int(one) for one in sys.argv[2:5])))
