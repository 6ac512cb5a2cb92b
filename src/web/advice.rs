//! The shapes of what is advised for chargers and breakers, in the body of `now`.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What a charger is advised: advice, not protection.
#[derive(Clone, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct EvNow {
    /// `off`, `surplus only`, `surplus + minimum` or `full`.
    #[schema(example = "surplus only")]
    pub mode: String,
    /// The cap that somebody set, in A.
    pub cap_a: Option<f64>,
    /// What it was told to reach.
    pub target: Option<TargetNow>,
    /// The current that the charger may offer the car, in A: 0, or at least the least current.
    #[schema(example = 13.0)]
    pub available_a: f64,
    /// Whether it may charge at all.
    pub may_charge: bool,
    /// Why, as a word for programs.
    #[schema(example = "surplus")]
    pub reason: String,
    /// Why, in one line for people.
    pub why: String,
    /// Since when it may charge, or may not (RFC 3339, the site's own time).
    pub since: String,
    /// The surplus that is there for it, in W, smoothed; `null` where it is not known.
    pub surplus_w: Option<f64>,
    /// The most that breaker, branch, legs, cap and map leave it, in A; `null` where it is not known.
    pub limit_a: Option<f64>,
}

/// An energy that is to be in the car by a moment.
#[derive(Clone, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct TargetNow {
    /// Energy in kWh.
    pub kwh: f64,
    /// By when (RFC 3339, the site's own time).
    pub by: String,
}

/// The room on one leg of the service: advice, not protection.
#[derive(Clone, Copy, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct RoomNow {
    /// The highest current of the last minutes without the chargers, in A.
    pub highest_a: Option<f64>,
    /// 80 % of the main breaker less that, in A.
    pub room_a: Option<f64>,
}

/// A breaker or leg that carries too much: advice, not protection.
#[derive(Clone, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct AlertNow {
    /// Stable while it lasts.
    #[schema(example = "continuous-load/dryer")]
    pub id: String,
    /// `over-rating`, `continuous-load` or `leg-imbalance`.
    #[schema(example = "continuous-load")]
    pub kind: String,
    /// `warning` or `alarm`.
    #[schema(example = "warning")]
    pub severity: String,
    /// What is the case.
    pub what: String,
    /// Where: a circuit's label, a leg, the service.
    pub r#where: String,
    /// Since when the current was too high (RFC 3339, the site's own time).
    pub since: String,
    /// What to do about it.
    pub r#do: String,
    /// The circuit's id, if it is about one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub circuit: Option<String>,
    /// The leg, if it is about one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leg: Option<String>,
    /// The highest current since then, in A.
    pub worst_a: Option<f64>,
    /// What it has to stay below, in A.
    pub limit_a: Option<f64>,
}
