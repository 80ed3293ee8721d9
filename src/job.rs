//! Progress and cancellation of long work.
//!
//! A long function of the core takes a [`Watch`] and calls [`Watch::step`] at each unit of work.
//! Whoever started it decides what becomes of that: a bar on a terminal, a gauge in the viewer,
//! nothing. A cancelled watch makes the next step an error, which travels up as any other; no
//! result is half made.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A switch that stops work, shared between the one who waits and the one who works
#[derive(Clone, Debug, Default)]
pub struct CancelToken(Arc<AtomicBool>);

impl CancelToken {
    /// A token that has not been cancelled
    pub fn new() -> Self {
        Self::default()
    }

    /// Asks the work to stop at its next step
    pub fn cancel(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether somebody asked
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// The work was asked to stop
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("cancelled")]
pub struct Cancelled;

/// What a watcher is told: the stage in words, and how far it has come
pub type Listener = dyn Fn(&str, usize, usize) + Send + Sync;

/// How long work tells its progress and learns that it should stop
#[derive(Clone)]
pub struct Watch {
    cancel: CancelToken,
    listener: Option<Arc<Listener>>,
}

impl Watch {
    /// A watch that hears nothing and never stops the work
    pub fn silent() -> Self {
        Self { cancel: CancelToken::new(), listener: None }
    }

    /// A watch over `cancel` that passes each step to `listener` as (stage, done, total)
    pub fn new(cancel: CancelToken, listener: impl Fn(&str, usize, usize) + Send + Sync + 'static) -> Self {
        Self { cancel, listener: Some(Arc::new(listener)) }
    }

    /// The switch of this watch
    pub fn token(&self) -> &CancelToken {
        &self.cancel
    }

    /// Tells that `done` of `total` units of `stage` are done
    ///
    /// # Errors
    /// [`Cancelled`] when the work should stop.
    pub fn step(&self, stage: &str, done: usize, total: usize) -> Result<(), Cancelled> {
        if self.cancel.is_cancelled() {
            return Err(Cancelled);
        }
        if let Some(listener) = &self.listener {
            listener(stage, done, total);
        }
        Ok(())
    }
}

impl std::fmt::Debug for Watch {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Watch(cancelled: {})", self.cancel.is_cancelled())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Mutex;

    #[test]
    fn steps_are_heard_until_cancelled() {
        let heard = Arc::new(Mutex::new(Vec::new()));
        let token = CancelToken::new();
        let log = heard.clone();
        let watch = Watch::new(token.clone(), move |stage, done, total| {
            log.lock().unwrap().push(format!("{stage} {done}/{total}"));
        });
        assert_eq!(watch.step("jets", 1, 2), Ok(()));
        token.cancel();
        assert_eq!(watch.step("jets", 2, 2), Err(Cancelled));
        assert_eq!(*heard.lock().unwrap(), ["jets 1/2"]);
    }
}
