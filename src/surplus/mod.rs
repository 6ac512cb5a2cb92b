//! EV charging that follows the sun, the room that the service has, and the watch over breakers.
//!
//! Everything here is **advice, not protection**. It looks at means over a second and more, from CTs that may be
//! wrong, through messages that may be lost; nothing is switched. What protects a conductor is its
//! breaker; where a code lets an energy management system limit a load, that system has to be a listed one.
//!
//! - `window`: means that fall fast and rise slowly; the worst of the last minutes
//! - `charger`: one charger's state: off or on, and why
//! - `share`: one surplus, one branch, one service for several chargers
//! - `headroom`: what each leg of the service still has room for
//! - `watch`: breakers and legs that carry too much for too long
//! - [`pilot`]: how a charger tells a car its current
//! - [`Advisor`]: all of it for one site, tick by tick

mod advisor;
mod charger;
mod headroom;
pub mod pilot;
mod share;
#[cfg(test)]
mod tests;
mod types;
mod watch;
mod window;

pub use crate::site::{First, Mode, Sharing};
pub use advisor::Advisor;
pub use types::{
    Advice, Alert, AlertKind, Command, EvIndex, Guidance, LegRoom, Order, Reason, Refused, Settings,
    Severity, Subject, Target,
};
