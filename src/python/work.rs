//! Long work without the interpreter's lock: it tells its progress, and stops when a signal arrives.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread;
use std::time::Duration;

use pyo3::prelude::*;
use rayon::{ThreadPool, ThreadPoolBuilder};

use super::faults::Fault;
use crate::job::{CancelToken, Watch};

/// How often signals are looked for and progress is told
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// Stack of the thread that works: as much as the main thread of a program has
const STACK: usize = 8 << 20;

/// Told of stage, units done, all units
type Progress<'a, 'py> = Option<&'a Bound<'py, PyAny>>;

/// The threads of this process: after a fork the child makes its own, since those of its parent are not in it
static POOL: Mutex<Option<(u32, Arc<ThreadPool>)>> = Mutex::new(None);

fn pool() -> Result<Arc<ThreadPool>, Fault> {
    let own = std::process::id();
    let mut slot = POOL.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some((process, pool)) = &*slot
        && *process == own
    {
        return Ok(pool.clone());
    }
    let pool = ThreadPoolBuilder::new().thread_name(|n| format!("narrows-{n}")).build();
    let pool = Arc::new(pool.map_err(|error| Fault::internal(format!("no threads can be had: {error}")))?);
    // Threads that are not there cannot be waited for.
    std::mem::forget(slot.replace((own, pool.clone())));
    Ok(pool)
}

/// Runs `work` on a thread of its own; `progress` is called on the thread that called
///
/// # Errors
/// The exception of what went wrong, of a signal's handler, or of `progress`; a panic is an `InternalError`.
pub(super) fn run<T: Send>(
    py: Python<'_>,
    progress: Progress<'_, '_>,
    work: impl FnOnce(&Watch) -> Result<T, Fault> + Send,
) -> PyResult<T> {
    let token = CancelToken::new();
    let told = Arc::new(Mutex::new(None::<(String, usize, usize)>));
    let telling = told.clone();
    let watch = Watch::new(token.clone(), move |stage, done, total| {
        let Ok(mut told) = telling.lock() else { return };
        match &mut *told {
            // Frames are done in any order; the count only rises.
            Some((now, so_far, of)) if now == stage => (*so_far, *of) = ((*so_far).max(done), total),
            slot => *slot = Some((stage.to_owned(), done, total)),
        }
    });
    let watch = if progress.is_some() { watch } else { Watch::new(token.clone(), |_, _, _| ()) };
    let done = (Mutex::new(false), Condvar::new());
    let ended = thread::scope(|scope| {
        let (done, watch) = (&done, &watch);
        let worker = thread::Builder::new().name("narrows".to_owned()).stack_size(STACK).spawn_scoped(
            scope,
            move || {
                let got = catch_unwind(AssertUnwindSafe(|| pool()?.install(|| work(watch))));
                *done.0.lock().unwrap_or_else(PoisonError::into_inner) = true;
                done.1.notify_all();
                got
            },
        );
        let worker = match worker {
            Ok(worker) => worker,
            Err(error) => return Err(Fault::internal(format!("no thread can be had: {error}")).raise(py)),
        };
        let mut stopped = None;
        let mut last = None;
        loop {
            let finished = py.detach(|| {
                let guard = done.0.lock().unwrap_or_else(PoisonError::into_inner);
                let waited = done.1.wait_timeout_while(guard, LOOK_EVERY, |finished| !*finished);
                *waited.unwrap_or_else(PoisonError::into_inner).0
            });
            if finished {
                break;
            }
            if stopped.is_some() {
                continue;
            }
            let looked = py.check_signals().and_then(|()| tell(progress, &told, &mut last));
            if let Err(error) = looked {
                token.cancel();
                stopped = Some(error);
            }
        }
        let got = py.detach(|| worker.join());
        if let Some(error) = stopped {
            return Err(error);
        }
        Ok(got)
    })?;
    match ended {
        Ok(Ok(Ok(done))) => Ok(done),
        Ok(Ok(Err(fault))) => Err(fault.raise(py)),
        Ok(Err(_)) | Err(_) => {
            Err(Fault::internal("the program failed in a way that it should not").raise(py))
        }
    }
}

type Step = (String, usize, usize);

fn tell(progress: Progress<'_, '_>, told: &Mutex<Option<Step>>, last: &mut Option<Step>) -> PyResult<()> {
    let Some(listener) = progress else { return Ok(()) };
    let now = told.lock().map_or(None, |told| told.clone());
    if now != *last
        && let Some((stage, done, total)) = &now
    {
        listener.call1((stage, *done, *total))?;
    }
    *last = now;
    Ok(())
}
