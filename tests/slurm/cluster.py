"""A Slurm of one controller and two nodes on this machine, for as long as a test takes: Debian's `slurm-wlm` and `munge`.

Everything of it, key, sockets, logs, lies in one folder, so that a Slurm that is already here goes undisturbed. Each node is a
`slurmd` in a process namespace of its own: killing that loses the node with all that runs on it, as a power cut would.
Conventions: node names are "n1" and "n2", one core each. Needs root, for the namespaces.
"""

import os
import shutil
import socket
import subprocess
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

PROGRAMS = ("munged", "slurmctld", "slurmd", "sbatch", "squeue", "scontrol", "unshare")
NODES = ("n1", "n2")
_PATH = os.pathsep.join((os.environ["PATH"], "/usr/sbin", "/sbin"))
_CONFIGURATION = """\
ClusterName=small
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={ports[0]}
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket,cred_expire=5
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/%n
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/%n.pid
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
SlurmdTimeout=60
MessageTimeout=60
KillWait=2
ReturnToService=2
NodeName=n1 NodeHostname={host} NodeAddr=127.0.0.1 Port={ports[1]} CPUs=1 RealMemory=8000
NodeName=n2 NodeHostname={host} NodeAddr=127.0.0.1 Port={ports[2]} CPUs=1 RealMemory=8000
PartitionName=all Nodes=ALL Default=YES State=UP MaxTime=INFINITE
"""


def missing():
    """What keeps a cluster from being started here, as words; "" if nothing does."""
    lacking = [name for name in PROGRAMS if shutil.which(name, path=_PATH) is None]
    if lacking:
        return f"not on this machine: {', '.join(lacking)} (Debian: apt-get install slurm-wlm munge)"
    return "" if os.geteuid() == 0 else "starting nodes needs root"


@contextmanager
def two_nodes(folder):
    """A Cluster at work in an empty folder; everything it started is ended when it is let go."""
    with ExitStack() as over:
        cluster = Cluster(Path(folder), over)
        cluster.start()
        yield cluster


class Cluster:
    def __init__(self, folder, over):
        self.folder, self._over, self._nodes = folder, over, {}
        self.environment = {"SLURM_CONF": str(folder / "slurm.conf"), "PATH": _PATH}

    def start(self):
        self.folder.chmod(0o755)
        (self.folder / "state").mkdir()
        values = {"folder": self.folder, "host": socket.gethostname().partition(".")[0], "ports": _free_ports(3)}
        (self.folder / "slurm.conf").write_text(_CONFIGURATION.format(**values), encoding="ascii")
        key = self.folder / "munge.key"
        key.write_bytes(os.urandom(128))
        key.chmod(0o400)
        kinds = ("key-file", "pid-file", "log-file", "seed-file", "socket")
        places = [f"--{kind}={self.folder}/munge.{kind.partition('-')[0]}" for kind in kinds]
        self._started("munged", "--foreground", "--force", *places)
        self._until("munge", lambda: (self.folder / "munge.socket").exists())
        self._started("slurmctld", "-D", "-f", self.folder / "slurm.conf")
        for node in NODES:
            self.join(node)

    def join(self, node):
        """Bring a node up."""
        alone = ("unshare", "--pid", "--fork", "--mount-proc", "--kill-child=KILL", "sh", "-c")
        # A job's own `srun` looks where Slurm's configuration usually lies; here that is seen by the node alone.
        power_on = 'mount --bind "$1" /etc/slurm && exec slurmd -D -N "$2"'
        self._nodes[node] = self._started(*alone, power_on, "node", self.folder, node, log=node)
        self._until(f"node {node}", lambda: self.said("sinfo", "-h", "-n", node, "-o", "%T") == "idle")

    def lose(self, node):
        """Cut a node's power, and let the controller know at once what it would find out within its time limit."""
        self._nodes[node].kill()
        self._nodes[node].wait()
        self.said("scontrol", "update", f"nodename={node}", "state=down", "reason=lost")

    def running_on(self, node):
        """The comments (rule and wildcards) of what runs on a node."""
        return self.said("squeue", "-h", "-w", node, "-t", "running", "-o", "%k").split()

    def said(self, *command):
        """What a command of Slurm's prints."""
        done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, **self.environment}, check=False)
        return done.stdout.strip()

    def _started(self, *command, log=None):
        command = [str(part) for part in command]
        out = self._over.enter_context((self.folder / f"{log or command[0]}.log").open("ab"))
        environment = {**os.environ, **self.environment}
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, env=environment)
        self._over.callback(_ended, process)
        return process

    def _until(self, what, ready):
        deadline = time.monotonic() + 120
        while not ready():
            if time.monotonic() > deadline:
                logs = "\n".join(path.read_text(errors="replace")[-1500:] for path in sorted(self.folder.glob("*.log")))
                raise TimeoutError(f"{what} did not come up\n{logs}")
            time.sleep(0.2)


def _ended(process):
    process.kill()
    process.wait()


def _free_ports(count):
    """Ports nobody listens on."""
    with ExitStack() as held:
        sockets = [held.enter_context(socket.socket()) for _ in range(count)]
        for one in sockets:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in sockets]
