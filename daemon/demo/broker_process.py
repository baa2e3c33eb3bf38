"""A broker for the demo alone: ``python -m daemon.demo.broker_process PORT``.

Pure Python, brought by pip, MQTT 3.1.1, loopback only. Production uses a real broker.
"""

import asyncio
import logging
import signal
import sys


async def _serve(port: int) -> None:
    from amqtt.broker import Broker

    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {
            "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
        },
    }
    broker = Broker(config)
    await broker.start()
    ended = asyncio.Event()
    for sign in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(sign, ended.set)
    await ended.wait()
    await broker.shutdown()


def main() -> int:
    """Serve until SIGTERM or SIGINT; return the exit code."""
    logging.disable(logging.ERROR)  # it reports every client's coming and going as an error
    try:
        asyncio.run(_serve(int(sys.argv[1])))
    except ImportError:
        sys.stderr.write("the demo's broker is not installed: pip install 'reclamp[demo]'\n")
        return 3
    except OSError as error:
        sys.stderr.write(f"the demo's broker can't listen: {error}\n")
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main())
