//! Job files to start from.

use std::path::Path;

/// A scheduler that job files are written for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Scheduler {
    /// A Slurm job array, and a job that joins what it made
    Slurm,
    /// An indexed job of Kubernetes, to be followed by one that joins
    Kubernetes,
}

/// The text of a job file. Folder and recipe must be where every machine sees them.
pub(super) fn file(scheduler: Scheduler, shards: u64, recipe: &Path, out: &Path) -> String {
    let name =
        out.file_name().map_or_else(|| "samples".into(), |n| n.to_string_lossy().into_owned());
    let (recipe, out) = (recipe.display(), out.display());
    match scheduler {
        Scheduler::Slurm => format!(
            "#!/bin/sh
# {shards} parts of a recipe, each one task of a job array. Submit with
#   job=$(sbatch --parsable THIS_FILE)
# and what joins them, once all are done:
#   sbatch --dependency=afterok:$job --wrap \"gridbeat generate '{recipe}' --out '{out}' --join\"
# A task that is killed or requeued goes on where it was. The folder must be one that all machines see.
#SBATCH --job-name={name}
#SBATCH --array=1-{shards}
#SBATCH --cpus-per-task=2
#SBATCH --mem-per-cpu=2G
#SBATCH --requeue
exec gridbeat generate '{recipe}' --out '{out}' --threads \"${{SLURM_CPUS_PER_TASK:-1}}\" --quiet
"
        ),
        Scheduler::Kubernetes => format!(
            "# {shards} parts of a recipe, each one pod of an indexed job. Put in your image and your shared volume, then
#   kubectl apply -f THIS_FILE
# and, once the job is complete, run `gridbeat generate '{recipe}' --out '{out}' --join` on the same volume.
# A pod that is lost is started again by the job and goes on where it was.
apiVersion: batch/v1
kind: Job
metadata:
  name: {name}
spec:
  completionMode: Indexed
  completions: {shards}
  parallelism: {shards}
  backoffLimitPerIndex: 5
  template:
    spec:
      restartPolicy: Never
      containers:
        - name: generate
          image: IMAGE_WITH_GRIDBEAT
          args: [generate, '{recipe}', --out, '{out}', --shards, '{shards}', --quiet]
          command: [gridbeat]
          resources: {{requests: {{cpu: '2', memory: 4Gi}}}}
          volumeMounts: [{{name: samples, mountPath: /samples}}]
      volumes:
        - name: samples
          persistentVolumeClaim: {{claimName: VOLUME_ALL_PODS_SEE}}
"
        ),
    }
}
