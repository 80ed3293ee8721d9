//! Channels from the components of an array, with what their codes mean.

use super::ArrayError;
use super::codes::Component;
use super::scales::{self, Facts};
use super::sidecar::PowerWords;
use crate::format::Notes;
use crate::volume::{Channel, ChannelKind, Scale};

/// The channel that a component is
///
/// # Errors
/// See [`ArrayError`].
pub(super) fn channel(
    kind: ChannelKind,
    component: &Component<'_>,
    facts: &Facts<'_>,
    power: Option<PowerWords>,
    notes: &mut Notes,
) -> Result<Channel, ArrayError> {
    let plain = |notes: &mut Notes| scales::plain(component, &kind.to_string(), notes);
    let (samples, scale) = match kind {
        ChannelKind::Velocity => {
            let (samples, scale) = scales::velocity(component, facts, notes)?;
            (samples, Scale::Velocity(scale))
        }
        ChannelKind::Power => {
            let (samples, scale) = scales::power(component, power, notes)?;
            (samples, Scale::Power(scale))
        }
        ChannelKind::Tissue => (plain(notes)?, Scale::Tissue),
        ChannelKind::Variance => (plain(notes)?, Scale::Variance),
    };
    Ok(Channel::new(scale, samples))
}
