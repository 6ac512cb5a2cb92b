//! The rules of the trade, each in one place: what is asked about, why, and by which clause.
//!
//! To add one: a line here, the check that calls `findings.add(&rules::NAME, …)`, a case in `tests.rs`, and
//! its line in docs/trade-rules.md, which a test holds in step.

use super::super::rules::rules;

rules! {
    // The trade. What is described is taken as it is; the code in force where the house stands decides.
    CT_BELOW_BREAKER Warning "ct-below-breaker": "a CT that is rated below its breaker", "it saturates at currents that the breaker lets pass, and reads too little just when it matters", "common practice";
    CT_OVERSIZED Note "ct-oversized": "a CT rated more than eight times its breaker", "below 5 % of its rating no accuracy is stated, so small loads are read poorly", "IEC 61869-2";
    MAINS_CT_SMALL Warning "mains-ct-small": "a feed whose CTs are rated below the breaker ahead of it", "they saturate at currents that the breaker lets pass, and every total is too small then", "common practice";
    POLES_AND_SPACES Warning "poles-and-spaces": "a circuit on two legs, or with two CTs, in one space", "one space has one pole, on one leg";
    POLES_ON_ONE_LEG Warning "poles-on-one-leg": "a breaker of two or three poles with two of them on one leg by its spaces", "between two poles on one leg there are 0 V, so a number is probably wrong", "common practice";
    HALF_MEASURED Warning "half-measured": "a circuit on two or three legs with fewer CTs, and not doubled", "what flows on the other leg is in no figure of the circuit, and is untracked";
    DOUBLED_UNBALANCED Warning "doubled-unbalanced": "a doubled circuit that is a feeder, or whose end use has parts on one leg: laundry, cooking, plug loads, lighting, refrigeration", "doubling is right only where both legs carry the same";
    NEUTRAL_UNKNOWN Warning "neutral-unknown": "`shares_neutral_with` that names no circuit in force", "whether the two are on different legs cannot be told";
    NEUTRAL_ON_ONE_LEG Warning "neutral-on-one-leg": "a multiwire branch circuit with both circuits on one leg", "the neutral carries the sum of their currents, and can overheat though no breaker trips", "NEC 210.4, 300.13(B)";
    NEUTRAL_NOT_TIED Note "neutral-not-tied": "a multiwire branch circuit whose breakers are not neighbours", "they have to be disconnected together", "NEC 210.4(B)";
    ODD_BREAKER Note "odd-breaker": "a breaker whose rating is none of the standard ones", "a number is probably wrong, and breaker loading goes by it", "NEC 240.6(A), from memory";
    BUSBAR_UNPROTECTED Warning "busbar-unprotected": "a panel whose breaker ahead is rated above its busbar", "the breaker lets more pass than the busbar bears", "NEC 408.36";
    SOURCE_BUSBAR_UNKNOWN Note "source-busbar-unknown": "a PV or storage circuit on a busbar without ratings", "whether the busbar bears main and source together cannot be told", "NEC 705.12";
    SOURCES_OVER_BUSBAR Warning "sources-over-busbar": "sources at 125 % and the main together above 120 % of the busbar's rating", "between main and source the busbar can carry more than it is rated for, and no breaker sees it", "NEC 705.12";
    SOURCE_NOT_AT_END Warning "source-not-at-end": "a source that is not at the end opposite to the main, where the 120 % rule needs it to be", "only there the two currents never add up in one part of the busbar", "NEC 705.12";
    END_USE_OTHER Note "end-use-other": "a measured load with the end use `other`", "the energy model has no place for it, so it cannot be compared";
    SPACE_BEYOND Warning "space-beyond-panel": "a space beyond the number that the panel has", "one of the two numbers is wrong";
    SPARE_IN_USE Warning "spare-in-use": "a spare space that a circuit is in", "the panel directory would say both";
    SPACES_UNSAID Note "spaces-unsaid": "spaces of a panel of known size that are neither of a circuit nor spare", "the panel directory has to tell every position, spares too", "NEC 408.4(A)";
}
