"""Every sentence that a verdict is made of, by a key that belongs to no language, so that they can be read in one sitting.

A key is ``topic.case``. What stands in braces is filled in with numbers that carry their unit, and with words of ``WORDS``.
The scraping plan's sentences are listed like this in ``plan.PATTERNS``.
"""

from __future__ import annotations

PHRASES = {
    # --- one picture: nothing measured
    "needs_help": "Nothing is measured yet. {why}",
    "refused": "This picture was not measured. {why}",
    # --- one picture: the limbs against each other
    "limbs.no_gap": "Can't compare the limbs: no gap was measured on both.",
    "limbs.no_interval": "Can't compare the limbs: the interval of the gap difference isn't known.",
    "limbs.even": "The limbs are even: gaps match to within {within} at every station.",
    "limbs.nothing": "This picture shows no difference between the limbs ({interval}).",
    "limbs.hardly": "The limbs may differ: the biggest gap difference is {amount} ({interval}), at {place} from the handle.",
    "limbs.bends_more": "{Larger} limb bends more: gap {amount} bigger at {place} from the handle ({interval}).",
    "limbs.weaker": "So the {larger} limb is the weaker one, unless it has more set.",
    "limbs.crossed": "At {place} it's the other way round: the {smaller} limb's gap is {amount} bigger ({interval}). "
    "The limbs bend in different places.",
    # --- one picture: tiller against the target
    "wish.within": "Tiller {where}: {tiller}, upper minus lower. That's within {target}.",
    "wish.below": "Tiller {where}: {tiller}, upper minus lower. That's below {target}.",
    "wish.above": "Tiller {where}: {tiller}, upper minus lower. That's above {target}.",
    "wish.edge": "Tiller {where}: {tiller}, upper minus lower. That's on the edge of {target}. This picture can't show which "
    "side.",
    "wish.target": "your target of {low} to {high} (common practice; makers disagree)",
    "wish.at_fades": "at the fades",
    "wish.near_fades": "near the fades, {place} from the handle",
    # --- one picture: hinges and stiff places
    "spots.none": "No hinge or stiff place found.",
    "spots.none_without_rest": "No hinge or stiff place stands out. To find a small one, add a picture of the bow unstrung.",
    "spot.where": "{Name} in the {limb} limb, {place} from the nock.",
    "spot.where_both": "{Name} in the {limb} limb, {place} from the nock ({from_handle} from the handle's centre).",
    "spot.much": "It's about {length} long. In its middle it bends {much} than the wood beside it ({interval}).",
    "spot.hinge": "Take no wood off it. Thin the wood on both sides of it instead (common practice).",
    "spot.stiff": "If wood comes off, take it here: a few strokes, exercise the bow, measure again (common practice).",
    "spot.maybe_crook": "Or it may be the bow's natural crook. Measure the bow unstrung before you act on it (common practice).",
    "spot.found_on_one": "One picture was read for hinges and stiff places: {pictures}. {rest}",
    "spot.found_on_some": "{count} pictures were read together for hinges and stiff places: {pictures}. {rest}",
    "spot.with_rest": "Shape at rest: {name}.",
    "spot.without_rest": "No picture shows the bow at rest.",
    # --- one picture: braced and drawn
    "brace": "Brace height, belly of the handle to the string: {brace}.",
    "draw": "Drawn {lengths}.",
    "draw.weighed": "Drawn {lengths}, at {weight} by your scale.",
    "draw.length": "{length} to the {face} of the handle",
    "tips": "The {ahead} tip is {amount} nearer the archer than the other ({interval}).",
    "string_angle": "String angle at the tip: {angles}.",
    "string_angle.unknown": "String angle at the tip: {angles}. Can't tell how close that is to {rule}.",
    "string_angle.past": "String angle at the tip: {angles}. The {limb} limb is past {rule}.",
    "string_angle.edge": "String angle at the tip: {angles}. This picture can't show whether the {limb} limb is past {rule}.",
    "string_angle.near": "String angle at the tip: {angles}. That's only {left} short of {rule}.",
    "string_angle.short": "String angle at the tip: {angles}. That's {left} short of {rule}.",
    "string_angle.rule": "{stack}, where a bow starts to stack (common practice)",
    # --- one picture: at rest
    "reflex.not_measured": "The bow's reflex could not be measured.",
    "reflex.no_interval": "The reflex is {amount} (interval unknown).",
    "reflex.nothing": "This picture shows no reflex and no string follow ({interval}).",
    "reflex": "Reflex {amount} ({interval}): the tips stand toward the back.",
    "reflex.follow": "String follow {amount} ({interval}): the tips stand toward the belly.",
    "reflex_limbs": "Each tip against the handle's own line: {tips}.",
    "reflex_difference.none": "At rest the limbs match, as far as this picture shows ({interval}).",
    "reflex_difference": "The {more} tip stands {amount} further toward the back than the {less} ({interval}). "
    "That's the stave's shape, not its tiller.",
    "rested": "Taken {time} after unstringing. Wood springs back over hours, so compare only readings taken after the same rest "
    "(common practice).",
    # --- one picture from the belly or the back
    "front.string_line": "The string runs {amount} {way} of the handle's middle ({interval}).",
    "front.string_line.none": "The string runs over the handle's middle, as far as this picture shows ({interval}).",
    "front.string_line.open": "This picture doesn't tell where the string runs over the handle.",
    "front.tip_line": "The handle's middle is {amount} {way} of the line between the tips ({interval}).",
    "front.tip_line.none": "The handle is in line with the tips, as far as this picture shows ({interval}).",
    "front.tip_line.open": "This picture doesn't tell if the handle is in line with the tips.",
    "front.bend": "{Limb} limb bends {way} by {amount} ({interval}), most at {place} from the handle.",
    "front.usual.string": "To move the string over, heat and bend a limb, or cut one side of its nock deeper (common practice).",
    "front.usual.bend": "A limb that bends to one side is often bent back with heat while clamped (common practice).",
    "front.care": "Heat can weaken or crack wood. Try the string's loops first, and ask a qualified maker where you're unsure.",
    "front.twist": "Twist isn't told: a turned limb looks about as wide from here, and from the side only thicker. "
    "Sight along it from each tip (common practice).",
    # --- a heat-treated belly's colour, in CIELAB lightness
    "belly.both": "The belly's lightness is {upper} on the upper limb and {lower} on the lower ({interval}; white paper is 95).",
    "belly.darker": "The {limb} limb's belly is darker by {amount} ({interval}).",
    "belly.alike": "Both limbs' bellies are equally dark, as far as this picture shows ({interval}).",
    "belly.patch": "{Limb} limb's belly is {kind} from {start} to {end} from the nock, by {amount} ({interval}).",
    "belly.even": "No pale or dark stretch shows on the belly.",
    "belly.usual": "Makers often heat a pale stretch again, slowly, and keep the dark ones from the heat (common practice).",
    "belly.care": "Colour isn't hardness: wood, heat and time all change it. Judge by bend and weight.",
    "belly.braced": "A braced limb leans into the light or out of it, so unstrung the colour shows better.",
    "belly.since": "Since {when} the {limb} limb's belly has become {way} by {amount} ({interval}).",
    "belly.since.none": "The {limb} limb's belly shows no change of colour since {when} ({interval}).",
    # --- two pictures: set
    "set.no_interval": "Can't tell the set: an interval isn't known.",
    "set.none_since": "No set shows since the earlier picture ({interval}).",
    "set.none": "The two pictures show no set ({interval}).",
    "set.less_since": "{amount} more reflex than in the earlier picture ({interval}): no set.",
    "set.less": "{amount} more reflex than in the earlier picture ({interval}): it sprang back, or was bent.",
    "set.since": "{amount} of set since the earlier picture ({interval}): {word}. {scale}",
    "set.taken": "The bow took {amount} of set ({interval}): {word}. {scale}",
    "set.scale": "Common practice: up to {good} is good, {acceptable} acceptable, {weak} weak.",
    "set_limbs": "The {more} limb took {amount} more set ({interval}).",
    "set_limbs.same": "Both limbs took the same set, as far as the two pictures show ({interval}).",
    "set.needs_two": "Can't tell the set: it takes two pictures of the bow unstrung, one early and one late.",
    "set.open": "{titles}: can't tell the set. {why}",
    "set_where.open": "The two pictures can't show which third of the {limb} limb took most of the set.",
    "set_where": "Most of the {limb} limb's set is in its {third} third: {share} (at least {least}).",
    "set_where.fade": "Most of the {limb} limb's set is in its {third} third, the fade with it: {share} (at least {least}).",
    "set_where.clear": "Set is clear {span}.",
    "set_where.inner": "That wood worked hardest. Make the next one wider or thicker near the handle (common practice).",
    "set_where.mid": "That wood worked hardest. Make the next one a little wider in mid-limb (common practice).",
    "set_where.outer": "That wood worked hardest. Make the next one stouter in its outer third (common practice).",
    "set_rest.counts": "The reading that counts is the one within {minutes} minutes of unstringing (common practice).",
    "set_rest.not_noted": "The {which} picture doesn't say how long the bow had been unstrung.",
    "set_rest.unlike": "The earlier picture shows the bow {then}, the later one {now}. So what springs back with time is mixed "
    "in.",
    "recovery.none": "The bow doesn't spring back by more than the readings can show ({interval}).",
    "recovery": "Left unstrung, the bow settles at a reflex of {end}. It springs back {back} after unstringing, half of it in "
    "{low} to {high} (fitted curve).",
    "kept": "{share} of the form's reflex is left ({interval}).",
    "kept.no_interval": "{share} of the form's reflex is left, interval unknown.",
    "kept.last": "Last reading ({kind}): {kept}",
    "kept.none": "None of the form's reflex is left ({share}, {interval}).",
    "early_draw.crushing": "At {at} the bow lost {loss} ({interval}) without scraping, after being drawn to {deepest}. "
    "Wood is being crushed. Stop and find out where (common practice).",
    "early_draw": "At {at} the weight held, as far as the scale shows ({interval}): no sign of crushed wood.",
    # --- two pictures: bend, gaps, weight
    "scraping.no_pair": "Can't tell what the scraping did: no two pictures at one draw, or one brace height, stand before and "
    "after it.",
    "scraping.at_rest": "Can't compare the bend. To judge scraping, compare the bow braced or drawn, not at rest.",
    "scraping.nothing": "The two pictures show no change in bend.",
    "scraping.nothing_within": "The two pictures show no change in bend (about {reach} at any one place).",
    "scraping.bends": "The {limb} limb bends {much}.",
    "scraping.did": "It worked: the {limb} limb bends {much}. You scraped it {place}.",
    "scraping.opposite": "It didn't work: the {limb} limb bends {much}. You scraped it {place}.",
    "scraping.no_change": "No change shows yet ({reach}). You scraped the {limb} limb {place}.",
    "scraping.elsewhere": "Elsewhere, the {limb} limb bends {much}.",
    "scraping.tips": "The tips were {before}; now they are {after}.",
    "scraping.level": "level as far as the picture shows ({interval})",
    "scraping.apart": "{amount} apart ({interval}), the {ahead} one nearer the archer",
    "gaps": "At {place} from the handle the {which} gap grew {amount} more than the other limb's ({interval}).",
    "gaps.nothing": "The two pictures show no change in tiller ({interval}).",
    "weight.same": "At the same draw the weight hasn't changed, as far as the scale shows ({interval}).",
    "weight.heavier": "At the same draw the bow is {amount} heavier ({interval}).",
    "weight.lighter": "At the same draw the bow is {amount} lighter ({interval}).",
    "moved.in_chart": "From rest to {state}, each limb's share of the bend is in the chart below.",
    "moved.alike": "From rest to {state} the upper limb turned by {upper}, the lower by {lower}. That's alike, as far as the two "
    "pictures show.",
    "moved": "From rest to {state} the upper limb turned by {upper}, the lower by {lower}. The {more} limb bends more.",
    # --- the bench: first sentence
    "bench.crushing": "Stop: at {at} the bow grew weaker without scraping, so wood is being crushed.",
    "bench.strained": "Don't draw it to {draw}: the {side} of the {limb} limb would be strained over the wood's limit.",
    "bench.odd": "The weight read at {draw} doesn't fit the others. Weigh it again.",
    "bench.draws": "At {draw} it draws {weight} ({interval}).",
    "bench.expect": "At {draw} expect about {weight} ({interval}).",
    "bench.near_limit": "At {draw} the {side} of the {limb} limb may be strained over the wood's limit.",
    "bench.near_limit_there": "There the {side} of the {limb} limb may be strained over the wood's limit.",
    "bench.costs_set": "That costs {set}.",
    "bench.stacks": "Late in the draw it stacks.",
    "bench.no_readings": "There are no readings yet.",
    "bench.no_weight": "Can't tell the weight at full draw. {why}",
    # --- the bench: stiffness
    "stiffness.from_one": "Stiffness comes from one picture: {where}. Nearer the nocks and the handle it can't be measured.",
    "stiffness.from_some": "Stiffness comes from {count} pictures: {where}. Nearer the nocks and the handle it can't be "
    "measured.",
    "stiffness.where": "{from_} to {to} from the {limb} nock",
    "stiffness.no_rest": "No picture shows the bow unstrung, so its natural bend is guessed. Measure it unstrung.",
    "stiffness.no_rest_off": "No picture shows the bow unstrung, so its natural bend is guessed: all stiffness may be off by "
    "{off}. "
    "Measure it unstrung.",
    "stiffness.relative": "Without a weighing this shows which places are stiffer, not how stiff.",
    "stiffness.stiffer": "The {limb} limb is {by} stiffer than the {other} ({interval}).",
    "stiffness.alike": "Both limbs are equally stiff, as far as this can show ({interval}).",
    "modulus": "The wood's stiffness (modulus) is {value} ({interval}).",
    "modulus.agrees": "The wood's stiffness (modulus) is {value} ({interval}). That agrees with the handbook's {book} for this "
    "wood, "
    "{spread}.",
    "modulus.lower": "The wood's stiffness (modulus) is {value} ({interval}). That's lower than the handbook's {book} for this "
    "wood, "
    "{spread}. Check widths, thickness, moisture and the scale.",
    "modulus.higher": "The wood's stiffness (modulus) is {value} ({interval}). That's higher than the handbook's {book} for this "
    "wood, {spread}. Check widths, thickness, moisture and the scale.",
    # --- the bench: strain and set
    "strain.pressed": "At {draw} the belly of the {limb} limb is pressed the most: {strain}, about {place} from the nock.",
    "strain.pressed_ahead": "At {draw} the belly of the {limb} limb will be pressed the most: {strain}, about {place} from the "
    "nock.",
    "strain.stretched": "At {draw} the back of the {limb} limb is stretched the most: {strain}, about {place} from the nock.",
    "strain.stretched_ahead": "At {draw} the back of the {limb} limb will be stretched the most: {strain}, about {place} from "
    "the "
    "nock.",
    "strain.close": "Other places come so close that none stands out.",
    "strain.over": "That is over the limit of {limit}: don't draw it that far.",
    "strain.hardly_over": "That is over the limit of {limit}, though by less than its interval. Don't draw it that far until "
    "that "
    "place bends less.",
    "strain.may_be_over": "That may be over the limit of {limit}. Don't draw it that far until that place bends less.",
    "set.expect": "Drawn to {draw}, expect {set}",
    "set.too_much": "{said}: more than the {most} that makers accept (common practice, no source).",
    "set.perhaps": "{said}. That is hard on the wood: it may be more than the {most} that makers accept (common practice, no "
    "source).",
    "set.good": "{said}: good. Makers call up to {good} good, up to {most} acceptable (common practice).",
    "set.bounds": "{said}: within bounds. Makers call up to {good} good, up to {most} acceptable (common practice).",
    "set.seen_none": "The two pictures at rest show no set anywhere along the limbs.",
    "set.seen": "Set shows clearly {where}. The wood gave way there, so let it bend less there.",
    "limit": "The limit of {limit} is {what}.",
    "limit.source": "Source: {source}.",
    "limit.less": "Knots, damp and old cracks make wood take less.",
    "limit.crush": "The set comes from a belly that crushes at {crushes}. Bent, it yields at {low} to {high} times that (common "
    "practice, no source). Source of the crushing: {source}.",
    "limit.causes": "The strain's interval comes from {causes}.",
    "limit.heat": "A heat-hardened belly is taken to yield {low} to {high} later (common practice, no source). Give your own "
    "factor "
    "if you have one.",
    "limit.own_heat": "The belly counts with your own factor of {factor} for heat-hardening. No book gives one.",
    "section.half": "Without calipers, half the thickness seen from the side is taken. A crowned back is stretched more than "
    "that "
    "says. Measure width, thickness and crown.",
    # --- the bench: weight and arrows
    "weight.expect": "At {at} expect about {weight}. The readings stop at {last}; the rest comes from this bow's own bend.",
    "weight.expect_plain": "At {at} expect about {weight}. The readings stop at {last}. The rest comes from a plain bow of this "
    "length, so the interval is wide.",
    "weight": "At {at} it draws {weight}.",
    "energy": "From the brace to {at} the draw stores {energy}.",
    "reading": "The weight at {draw} doesn't fit the others. Weigh it again.",
    "stacking": "From about {onset} of draw it stacks: at {at} the last {inch} adds {rise}. (Common practice: more than "
    "{share} of the weight in {an_inch}.)",
    "stacking.may": "From about {onset} of draw it may stack: at {at} the last {inch} adds {rise}. (Common practice: more than "
    "{share} of the weight in {an_inch}.)",
    "arrows": "Limbs and string move like {mass} ({interval}) of extra arrow: the bow's virtual mass.",
    "arrows.efficiency": "An arrow of {arrow} takes {share} ({interval}) of the stored energy with it.",
    "speed": "Expect an arrow of {arrow} to fly at {speed} ({interval}).",
    "speed.far": "Expect an arrow of {arrow} to fly at {speed} ({interval}). It is unlike those shot, so the virtual mass may "
    "not hold.",
    "speed.usual": "An arrow of {arrow} may leave it at {low} to {high}. That's what wooden bows usually give of the stored "
    "energy (common practice), not a measurement.",
    "weight.by_sizes": "By its sizes and wood it may draw {low} to {high} at {at}. That's a range and no more: weigh it.",
    "hung": "On the string hangs {weight}, jugs and all. Add hook and rope if they are heavy.",
    "hung.care": "Nobody under the weight, nobody in line with the bow. Tie a rope to the tree as a stop, so that nothing falls "
    "far if string or bow lets go.",
    # --- the bench: what a change would do
    "what_if.say": "Say you {asked}.",
    "what_if.and": "Then you {asked}.",
    "what_if.stays": "At {at} the weight stays at about {after}.",
    "what_if.gains": "At {at} it gains {by} and draws {after}.",
    "what_if.loses": "At {at} it loses {by} and draws {after}.",
    "what_if.nothing": "change nothing",
    "what_if.tiller": "The {limb} limb then bends more against the other. At {place} from the handle the tiller changes by {by}, "
    "to {after}.",
    "what_if.heat_own": "How much stiffer heat makes the belly comes from what your own bows gained.",
    "what_if.heat": "Heat is taken to make the belly {low} to {high} stiffer (common practice, no source).",
    "what_if.basis": "Worked out from this bow as measured, strain {strain}. The differences are surer than the weights.",
    # --- the next bow
    "layout": "{weight} at {draw} from {wood}, {length} between the nocks: {width} wide and about {thick} thick at the fades.",
    "layout.strain": "At full draw the wood is strained to {strain} at most; expect {set}",
    "layout.spread": "Cut to these sizes, a softer or a stiffer stave gives {low} to {high}.",
    "layout.stations": "Stations are counted from the handle's centre, every {step}, with the fade and the nock.",
    "layout.wood": "Worked out with {modulus} at {moisture} ({spread}; one stave in three lies beyond). Source: {source}.",
}


def phrase(key: str, **words: object) -> str:
    """The sentence of a key, filled in.

    Raises
    ------
    KeyError
        For a key that is not listed, or a word that the sentence needs and did not get.
    """
    return PHRASES[key].format(**words)
