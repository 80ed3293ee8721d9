//! A named thread that does the newest job and forgets those it overtook.
//!
//! While a cut is dragged, jobs come faster than they are done. Only the last one matters: a new
//! job takes the place of one that waits and makes the one being done stale, which a long job asks
//! about between its parts.

use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};

/// Wakes whoever shows the results
pub(super) type Notify = Arc<dyn Fn() + Send + Sync>;

struct Mailbox<J> {
    job: Option<(u64, J)>,
    closed: bool,
}

struct Shared<J, R> {
    mailbox: Mutex<Mailbox<J>>,
    wake: Condvar,
    newest: AtomicU64,
    results: Mutex<Vec<R>>,
    notify: Notify,
}

/// Lets drawing go before what this thread does, where both want a processor: on a machine whose graphics are made by its
/// processors a dragged plane would wait for the tracing of where it was
pub(super) fn step_back() {
    // Of 19, the lowest (our own choice: about a tenth of the time that drawing gets); there alone it is the thread's. Where
    // it is refused both go on as before.
    #[cfg(target_os = "linux")]
    let _ = rustix::process::setpriority_process(None, 10);
}

/// A named thread that does the newest job
pub(super) struct Worker<J, R> {
    shared: Arc<Shared<J, R>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

/// What a job sees of its worker
pub(super) struct Turn<'a, J, R> {
    number: u64,
    shared: &'a Shared<J, R>,
}

impl<J, R> Turn<'_, J, R> {
    /// Whether a newer job waits
    pub(super) fn is_stale(&self) -> bool {
        self.shared.newest.load(Ordering::Relaxed) != self.number
    }

    /// Hands a result over; a job may hand over several, each better than the last
    pub(super) fn give(&self, result: R) {
        self.shared.results.lock().unwrap_or_else(PoisonError::into_inner).push(result);
        (self.shared.notify)();
    }
}

impl<J: Send + 'static, R: Send + 'static> Worker<J, R> {
    /// Starts the thread
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(super) fn start(
        name: &str,
        notify: Notify,
        mut work: impl FnMut(J, &Turn<'_, J, R>) + Send + 'static,
    ) -> io::Result<Self> {
        let shared = Arc::new(Shared {
            mailbox: Mutex::new(Mailbox { job: None, closed: false }),
            wake: Condvar::new(),
            newest: AtomicU64::new(0),
            results: Mutex::new(Vec::new()),
            notify,
        });
        let mine = shared.clone();
        let thread = std::thread::Builder::new().name(name.to_owned()).spawn(move || {
            while let Some((number, job)) = mine.next() {
                work(job, &Turn { number, shared: &mine });
            }
        })?;
        Ok(Self { shared, thread: Some(thread) })
    }

    /// Leaves a job; one that waits is forgotten, one being done is stale
    pub(super) fn ask(&self, job: J) {
        let mut mailbox = self.shared.mailbox.lock().unwrap_or_else(PoisonError::into_inner);
        let number = self.shared.newest.fetch_add(1, Ordering::Relaxed) + 1;
        mailbox.job = Some((number, job));
        self.shared.wake.notify_one();
    }

    /// Waits until the job that waits is done and the thread has ended
    pub(super) fn finish(mut self) {
        self.close();
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has nothing more to do.
            let _ = thread.join();
        }
    }

    /// The results since the last time, the oldest first
    pub(super) fn take(&self) -> Vec<R> {
        std::mem::take(&mut *self.shared.results.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl<J, R> Shared<J, R> {
    fn next(&self) -> Option<(u64, J)> {
        let mut mailbox = self.mailbox.lock().unwrap_or_else(PoisonError::into_inner);
        loop {
            if let Some(job) = mailbox.job.take() {
                return Some(job);
            }
            if mailbox.closed {
                return None;
            }
            mailbox = self.wake.wait(mailbox).unwrap_or_else(PoisonError::into_inner);
        }
    }
}

impl<J, R> Worker<J, R> {
    fn close(&self) {
        self.shared.mailbox.lock().unwrap_or_else(PoisonError::into_inner).closed = true;
        self.shared.wake.notify_one();
    }
}

impl<J, R> Drop for Worker<J, R> {
    /// Lets the thread end after the job that waits; nobody waits for it
    fn drop(&mut self) {
        self.shared.newest.fetch_add(1, Ordering::Relaxed);
        self.close();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::sync_channel;

    #[test]
    fn only_the_newest_of_the_waiting_jobs_is_done() {
        let (started, has_started) = sync_channel::<()>(1);
        let (go, may_go) = sync_channel::<()>(0);
        let (told, notified) = sync_channel::<()>(8);
        let notify: Notify = Arc::new(move || told.send(()).unwrap());
        let mut first = true;
        let worker = Worker::start("test", notify, move |job: u32, turn| {
            if std::mem::take(&mut first) {
                started.send(()).unwrap();
                may_go.recv().unwrap();
                assert!(turn.is_stale());
            }
            turn.give(job);
        })
        .unwrap();
        worker.ask(1);
        has_started.recv().unwrap();
        for job in 2..=5 {
            worker.ask(job);
        }
        go.send(()).unwrap();
        notified.recv().unwrap();
        notified.recv().unwrap();
        assert_eq!(worker.take(), [1, 5]);
    }
}
