//! A real Slurm, started here on loopback: a recipe in eight shards by the job file that the program prints, one task killed and
//! requeued, joined, and held against a run on one machine. Skipped where Slurm and MUNGE are not installed.

use crate::cli_stage::Place;
use crate::generate::{RECIPE, same, tree};
use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Daemons, stopped when this goes.
struct Cluster {
    home: PathBuf,
    daemons: Vec<Child>,
}

impl Drop for Cluster {
    fn drop(&mut self) {
        for daemon in self.daemons.iter_mut().rev() {
            let _ = daemon.kill();
            let _ = daemon.wait();
        }
    }
}

fn found(program: &str) -> Option<PathBuf> {
    ["/usr/sbin", "/usr/bin", "/usr/local/sbin", "/usr/local/bin", "/sbin", "/bin"]
        .iter()
        .map(|folder| Path::new(folder).join(program))
        .find(|path| path.is_file())
}

fn text(program: &str, args: &[&str]) -> String {
    let output = Command::new(program).args(args).output().expect("it runs");
    String::from_utf8_lossy(&output.stdout).trim().to_owned()
}

impl Cluster {
    /// Starts a cluster of one node; why not, where that cannot be done.
    fn start(home: &Path) -> Result<Self, String> {
        let mut paths = Vec::new();
        for program in ["munged", "slurmctld", "slurmd", "sbatch", "squeue", "scontrol"] {
            paths.push(found(program).ok_or(format!("{program} is not installed"))?);
        }
        let port = || {
            let socket = TcpListener::bind("127.0.0.1:0").expect("a port");
            socket.local_addr().expect("an address").port()
        };
        let (host, user) = (text("hostname", &["-s"]), text("id", &["-un"]));
        let shown = home.display();
        for folder in ["state", "spool"] {
            fs::create_dir(home.join(folder)).expect("a folder");
        }
        let key: Vec<u8> =
            (0..1024_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        fs::write(home.join("munge.key"), key).expect("a key");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let private = fs::Permissions::from_mode(0o400);
            fs::set_permissions(home.join("munge.key"), private).expect("private");
            fs::set_permissions(home, fs::Permissions::from_mode(0o755)).expect("open");
        }
        let configuration = format!(
            "ClusterName=carriage\nSlurmctldHost={host}(127.0.0.1)\nSlurmUser={user}\nSlurmdUser={user}\n\
             AuthType=auth/munge\nAuthInfo=socket={shown}/munge.socket\nCryptoType=crypto/munge\n\
             SlurmctldPort={}\nSlurmdPort={}\nStateSaveLocation={shown}/state\nSlurmdSpoolDir={shown}/spool\n\
             SlurmctldPidFile={shown}/slurmctld.pid\nSlurmdPidFile={shown}/slurmd.pid\n\
             ProctrackType=proctrack/pgid\nTaskPlugin=task/none\nSelectType=select/cons_tres\n\
             SelectTypeParameters=CR_CPU\nSlurmdParameters=config_overrides\nReturnToService=2\n\
             JobAcctGatherType=jobacct_gather/none\nAccountingStorageType=accounting_storage/none\n\
             MpiDefault=none\nSwitchType=switch/none\nSchedulerParameters=sched_interval=1\n\
             NodeName={host} NodeAddr=127.0.0.1 CPUs=4 RealMemory=16000 State=UNKNOWN\n\
             PartitionName=all Nodes=ALL Default=YES MaxTime=INFINITE State=UP\n",
            port(),
            port()
        );
        fs::write(home.join("slurm.conf"), configuration).expect("a configuration");
        fs::write(home.join("cgroup.conf"), "CgroupAutomount=no\n").expect("a configuration");
        let mut cluster = Self { home: home.to_owned(), daemons: Vec::new() };
        let file = |name: &str| format!("{shown}/{name}");
        let munge = [
            "--foreground".to_owned(),
            "--force".to_owned(),
            format!("--key-file={}", file("munge.key")),
            format!("--socket={}", file("munge.socket")),
            format!("--pid-file={}", file("munge.pid")),
            format!("--log-file={}", file("munge.log")),
            format!("--seed-file={}", file("munge.seed")),
        ];
        cluster.daemon(&paths[0], &munge)?;
        std::thread::sleep(Duration::from_millis(500));
        cluster.daemon(&paths[1], &["-D".to_owned(), "-c".to_owned()])?;
        cluster.daemon(&paths[2], &["-D".to_owned()])?;
        let until = Instant::now() + Duration::from_secs(30);
        while Instant::now() < until {
            let state = cluster.command("sinfo").args(["-h", "-o", "%T"]).output();
            if state.is_ok_and(|o| String::from_utf8_lossy(&o.stdout).trim() == "idle") {
                return Ok(cluster);
            }
            std::thread::sleep(Duration::from_millis(300));
        }
        let log = |name: &str| fs::read_to_string(home.join(name)).unwrap_or_default();
        Err(format!("its node does not come up:\n{}\n{}", log("slurmctld.out"), log("slurmd.out")))
    }

    fn daemon(&mut self, program: &Path, args: &[String]) -> Result<(), String> {
        let name = program.file_name().expect("a name").to_string_lossy().into_owned();
        let log = fs::File::create(self.home.join(format!("{name}.out"))).expect("a log");
        let again = log.try_clone().expect("a log");
        let child = Command::new(program)
            .args(args)
            .env("SLURM_CONF", self.home.join("slurm.conf"))
            .stdin(Stdio::null())
            .stdout(log)
            .stderr(again)
            .spawn()
            .map_err(|e| format!("{name} does not start: {e}"))?;
        self.daemons.push(child);
        Ok(())
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(found(program).unwrap_or_else(|| program.into()));
        command.env("SLURM_CONF", self.home.join("slurm.conf"));
        command
    }

    fn queue(&self) -> String {
        let output = self.command("squeue").args(["-h", "-o", "%i %T"]).output().expect("a queue");
        String::from_utf8_lossy(&output.stdout).into_owned()
    }
}

#[test]
fn eight_shards_under_slurm_are_one_run() {
    let home = tempfile::tempdir().expect("a folder");
    let cluster = match Cluster::start(home.path()) {
        Ok(cluster) => cluster,
        Err(why) => {
            println!("skipped: no Slurm here: {why}");
            return;
        }
    };
    let place = Place::new();
    fs::write(place.path("windows.yml"), RECIPE.replace("count: 6", "count: 160"))
        .expect("a recipe");
    let args = ["generate", "windows.yml", "--quiet", "--out"];
    place.gridbeat(&[&args[..], &["one"]].concat()).assert().success();
    let (code, job, _) = place.run(&[
        "generate",
        "windows.yml",
        "--out",
        "all",
        "--shards",
        "8",
        "--print-job",
        "slurm",
    ]);
    assert_eq!(code, 0);
    fs::write(place.path("job.sh"), job).expect("a job file");
    let binary = Path::new(env!("CARGO_BIN_EXE_gridbeat")).parent().expect("a folder");
    let search = format!("{}:{}", binary.display(), std::env::var("PATH").unwrap_or_default());
    let output = cluster
        .command("sbatch")
        .args(["--parsable", "job.sh"])
        .current_dir(place.path(""))
        .env("PATH", search)
        .output()
        .expect("it runs");
    let id = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    assert!(!id.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    // One task is killed as soon as it is seen to work, and requeued.
    let until = Instant::now() + Duration::from_secs(120);
    let mut killed = None;
    while Instant::now() < until {
        if killed.is_none() {
            let folder = place.path("all/samples/00000");
            let some = fs::read_dir(&folder).is_ok_and(|f| f.count() > 2);
            let pids = text("pgrep", &["-f", "gridbeat generate windows.yml --out all"]);
            if some && let Some(pid) = pids.lines().next() {
                let environment = fs::read(format!("/proc/{pid}/environ")).unwrap_or_default();
                let task = String::from_utf8_lossy(&environment)
                    .split('\0')
                    .find_map(|v| v.strip_prefix("SLURM_ARRAY_TASK_ID=").map(str::to_owned));
                if let Some(task) = task {
                    text("kill", &["-9", pid]);
                    killed = Some(task);
                }
            }
        }
        if cluster.queue().trim().is_empty() {
            break;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let killed = killed.expect("no task was met at work");
    let left = 160 - tree(&place.path("all")).keys().filter(|f| f.ends_with("entry.json")).count();
    assert!(left > 0, "the task had nothing left to do when it was killed");
    let requeued = cluster
        .command("scontrol")
        .args(["requeue", &format!("{id}_{killed}")])
        .output()
        .expect("it runs");
    assert!(requeued.status.success(), "{}", String::from_utf8_lossy(&requeued.stderr));
    // Requeued jobs wait two minutes by themselves.
    let now = format!("{id}_{killed}");
    let _ = cluster
        .command("scontrol")
        .args(["update", &format!("jobid={now}"), "starttime=now"])
        .output();
    let until = Instant::now() + Duration::from_secs(180);
    std::thread::sleep(Duration::from_millis(500));
    while !cluster.queue().trim().is_empty() && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(300));
    }
    let queue = cluster.queue();
    assert!(queue.trim().is_empty(), "{queue}");
    place.gridbeat(&[&args[..], &["all", "--join"]].concat()).assert().success();
    same(&tree(&place.path("one")), &tree(&place.path("all")));
}
