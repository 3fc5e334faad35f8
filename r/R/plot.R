# Plots on base graphics, in the colours of Okabe and Ito, which colour-blind readers distinguish; groups differ
# in line type and symbol too.

group_style <- function(groups) {
  # Without black, which is the target's, and yellow, which does not show on white.
  colours <- c("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
  i <- seq_along(groups) - 1L
  data.frame(
    group = groups, colour = colours[i %% 6L + 1L], symbol = c(16, 17, 15, 18, 1, 2, 0, 5)[i %% 8L + 1L],
    line = i %/% 6L %% 6L + 1L, stringsAsFactors = FALSE
  )
}

# "body_weight" in g is "Body weight (g)".
axis_label <- function(trait, unit) {
  name <- gsub("_", " ", trait, fixed = TRUE)
  paste0(toupper(substring(name, 1, 1)), substring(name, 2), if (!is.na(unit)) paste0(" (", unit, ")"))
}

unit_of <- function(x, table, column) {
  dictionary <- x$dictionary
  dictionary$unit[match(paste(table, column), paste(dictionary$table, dictionary$column))]
}

plot.pf_fit <- function(x, which = c("curves", "residuals"), level = NULL, curve = NULL, trait = NULL,
                        band = c("confidence", "simultaneous", "prediction", "none"),
                        xlab = NULL, ylab = NULL, legend = if (which == "curves") "topleft" else "above", ...) {
  which <- match.arg(which)
  band <- match.arg(band)
  if (which == "curves") {
    plot_curves(x, level, curve, trait, band, xlab, ylab, legend, ...)
  } else {
    plot_residuals(x, level, curve, trait, xlab, ylab, legend, ...)
  }
  invisible(x)
}

plot_curves <- function(x, level, curve, trait, band, xlab, ylab, where, ...) {
  interval <- if (band == "none") "confidence" else band
  curves <- predict(x, level = level, curve = curve, trait = trait, interval = interval)
  trait <- curves$trait[1]
  if (any(is.na(curves$bird))) {
    curves <- curves[is.na(curves$bird), ]
  }
  values <- unique(augment(x, level = curves$level[1], trait = trait)[c("group", "bird", "age_d", "observed")])
  style <- group_style(sort(unique(c(curves$group, values$group))))
  edges <- if (band == "none") NULL else curves[c("conf.low", "conf.high")]
  open_axes(
    range(curves$age_d, values$age_d), range(curves$.fitted, values$observed, unlist(edges), na.rm = TRUE),
    xlab, ylab, unit_of(x, "curves", "age_d"), axis_label(trait, unit_of(x, "curves", "fitted")), ...
  )
  i <- match(values$group, style$group)
  points(values$age_d, values$observed, col = adjustcolor(style$colour[i], 0.5), pch = style$symbol[i], cex = 0.7)
  series <- split(curves, paste(curves$group, curves$bird, curves$curve, sep = "\r"))
  single <- !anyNA(curves$bird)
  for (one in series) {
    draw_curve(one, style[match(one$group[1], style$group), ], if (single) "none" else band, if (single) 1 else 2)
  }
  without <- vapply(series, function(one) all(is.na(one$.fitted)), NA)
  if (any(without)) {
    mtext(paste(sum(without), "weak or failed fits are not drawn"), side = 3, line = 0.2, adj = 1, cex = 0.8)
  }
  legend_of(style, where)
}

draw_curve <- function(one, style, band, width) {
  one <- one[order(one$age_d), ]
  if (band != "none") {
    known <- !is.na(one$conf.low) & !is.na(one$conf.high)
    polygon(
      c(one$age_d[known], rev(one$age_d[known])), c(one$conf.low[known], rev(one$conf.high[known])),
      col = adjustcolor(style$colour, 0.2), border = NA
    )
  }
  lines(one$age_d, one$.fitted, col = style$colour, lty = style$line, lwd = width)
}

plot_residuals <- function(x, level, curve, trait, xlab, ylab, where, ...) {
  drawn_rows <- drawn(x, "residuals", level, curve, trait)
  rows <- augment(x, level = drawn_rows$level[1], trait = drawn_rows$trait[1])
  rows <- rows[fit_key(within_strain(rows)) %in% fit_key(drawn_rows) & !is.na(rows$.std.resid), ]
  if (!nrow(rows)) {
    pinfeather_error("no fit of this level is supported, so that there are no residuals to draw")
  }
  style <- group_style(sort(unique(rows$group)))
  open_axes(
    range(rows$age_d), range(rows$.std.resid, -2, 2), xlab, ylab, unit_of(x, "residuals", "age_d"),
    "Standardised residual", ...
  )
  abline(h = c(-2, 0, 2), lty = c(3, 1, 3), col = "grey50")
  i <- match(rows$group, style$group)
  points(rows$age_d, rows$.std.resid, col = adjustcolor(style$colour[i], 0.7), pch = style$symbol[i], cex = 0.8)
  legend_of(style, where)
}

# Columns as the program names them, for fit_key.
within_strain <- function(rows) {
  rows$strain <- rows$group
  rows
}

open_axes <- function(x, y, xlab, ylab, unit, y_name, xlim = x, ylim = y, main = NULL, ...) {
  plot.new()
  plot.window(xlim = xlim, ylim = ylim, ...)
  axis(1)
  axis(2)
  box(bty = "l")
  title(
    main = main, xlab = if (is.null(xlab)) axis_label("age", unit) else xlab, ylab = if (is.null(ylab)) y_name else ylab
  )
}

legend_of <- function(style, where) {
  if (!is.character(where) || nrow(style) < 2) {
    return(invisible())
  }
  above <- where == "above"
  graphics::legend(
    if (above) "bottomleft" else where,
    legend = style$group, col = style$colour, pch = style$symbol,
    lty = if (above) NA else style$line, lwd = if (above) NA else 2,
    bty = "n", horiz = above, inset = if (above) c(0, 1) else 0, xpd = above
  )
}

plot.pf_study <- function(x, trait = NULL, groups = NULL, level = NULL, curve = NULL,
                          band = c("confidence", "simultaneous", "prediction", "none"),
                          xlab = NULL, ylab = NULL, legend = "topleft", ...) {
  band <- match.arg(band)
  curves <- predict(x, level = level, curve = curve, trait = trait, interval = if (band == "none") "confidence" else band)
  curves <- curves[is.na(curves$bird), ]
  if (!nrow(curves)) {
    pinfeather_error("these results have curves of single birds alone, no group's")
  }
  trait <- curves$trait[1]
  deviation <- x$deviation
  means <- if (is.null(deviation)) NULL else deviation[deviation$level == "strain" & deviation$trait == trait, ]
  all <- unique(curves$group)
  if (is.null(groups)) {
    groups <- all
  } else if (length(setdiff(groups, all))) {
    pinfeather_error(paste0("no group \"", setdiff(groups, all)[1], "\"; there is ", paste(all, collapse = ", ")))
  }
  style <- group_style(all)
  shown <- curves[curves$group %in% groups, ]
  edges <- if (band == "none") NULL else shown[c("conf.low", "conf.high")]
  of_means <- means[means$strain %in% groups, c("observed_g", "lower_g", "upper_g")]
  y <- range(shown$.fitted, unlist(edges), unlist(of_means), na.rm = TRUE)
  age <- range(shown$age_d)
  if (length(groups) > 1) {
    before <- par(mfrow = rev(n2mfrow(length(groups))), mar = c(4.2, 4.5, 2.2, 0.8))
    on.exit(par(before))
  }
  for (group in groups) {
    open_axes(
      age, y, xlab, ylab, unit_of(x, "curves", "age_d"), axis_label(trait, unit_of(x, "curves", "fitted")),
      main = group, ...
    )
    here <- style[style$group == group, ]
    has_target <- draw_target(means[means$strain %in% group, ], here)
    draw_curve(curves[curves$group == group, ], transform_line(here), band, 2)
    if (is.character(legend) && group == groups[1]) {
      study_legend(legend, here, has_target, NROW(means) > 0)
    }
  }
  invisible(x)
}

# Each group has a panel, so that the line's type is the target's to differ by.
transform_line <- function(style) {
  style$line <- 1
  style
}

# Target, its band and the means weighed; whether there is a target.
draw_target <- function(means, style) {
  if (!NROW(means)) {
    return(FALSE)
  }
  means <- means[order(means$age_d), ]
  banded <- !is.na(means$lower_g) & !is.na(means$upper_g)
  polygon(
    c(means$age_d[banded], rev(means$age_d[banded])), c(means$lower_g[banded], rev(means$upper_g[banded])),
    col = "grey85", border = NA
  )
  lines(means$age_d, means$target_g, lty = 2)
  points(means$age_d, means$observed_g, pch = style$symbol, col = style$colour, cex = 0.7)
  any(!is.na(means$target_g))
}

study_legend <- function(where, style, target, means) {
  graphics::legend(where,
    legend = c("curve", if (means) "mean weighed", if (target) "target and its band"),
    col = c(style$colour, if (means) style$colour, if (target) "black"),
    lty = c(1, if (means) 0, if (target) 2), pch = c(NA, if (means) style$symbol, if (target) NA),
    lwd = c(2, if (means) NA, if (target) 1), bty = "n", cex = 0.8
  )
}
